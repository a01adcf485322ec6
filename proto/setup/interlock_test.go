package setup_test

import (
	"strings"
	"testing"
)

const interlocked = `
driver: serial
port: /dev/ttyUSB0
interlocks:
  - {what: door, line: {chip: gpiochip0, line: 22, active: high}}
  - {what: lockout, line: {chip: gpiochip0, line: 23, active: high}}
operator_switch: {chip: gpiochip0, line: 24, active: high}
`

func TestInterlocks(t *testing.T) {
	if err := transmitter(t, interlocked).Check(); err != nil {
		t.Error(err)
	}
	for _, c := range []struct{ old, new, say string }{
		{"what: door", "what: window", `transmitter.interlocks[0].what: "window"; write one of: transceiver, antenna, door, lockout`},
		{"line: 23", "line: 22", "transmitter.interlocks[1].line: line 22 of gpiochip0 serves transmitter.interlocks[0].line already"},
		{"line: 24, active: high", "line: 24, active: on", "transmitter.operator_switch.active"},
		{"line: 22, active: high", "line: 22", "transmitter.interlocks[0].line.active"},
		{"interlocks:", "interlocks:" + strings.Repeat("\n  - {what: door, line: {chip: gpiochip0, line: 1, active: high}}", 15), "17, and at most 16"},
	} {
		text := strings.Replace(interlocked, c.old, c.new, 1)
		if err := transmitter(t, text).Check(); err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%q: %v, want %q", c.new, err, c.say)
		}
	}
}
