package setup_test

import (
	"strings"
	"testing"
)

const plugged = "driver: serial\nport: /dev/ttyUSB0\n" + `plug:
  pins: [{chip: gpiochip0, line: 5, active: low}, {chip: gpiochip0, line: 6, active: low}]
  filters: [{name: lp-20, code: "01", from_hz: 10000000, to_hz: 15000000}, {name: lp-40, code: "10", from_hz: 7000000, to_hz: 7300000}]
`

func TestPlug(t *testing.T) {
	if err := transmitter(t, plugged).Check(); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ old, with, want string }{
		{`"01"`, `"1"`, "one 0 or 1 for each of the 2 pins"},
		{`"01"`, `"0x"`, "one 0 or 1"},
		{`"01"`, `"00"`, "an empty socket"},
		{`"01"`, `"10"`, "that of lp-20 already"},
		{"line: 6", "line: 5", "serves transmitter.plug.pins[0] already"},
		{"to_hz: 7300000", "to_hz: 73", "no range"},
		{"name: lp-40", `name: ""`, "give it a name"},
		{"driver: serial\nport: /dev/ttyUSB0", "driver: simulated", "has no filter"},
	} {
		text := strings.Replace(plugged, test.old, test.with, 1)
		if err := transmitter(t, text).Check(); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s instead of %s: %v, want %s", test.with, test.old, err, test.want)
		}
	}
}
