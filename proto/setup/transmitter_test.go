package setup_test

import (
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"lamplighter/proto/setup"
)

const clockGenerator = `
driver: clock-generator
bus: 1
address: 0x60
crystal_hz: 25000000
calibration_ppb: -1250
output: 2
key_line: {chip: gpiochip0, line: 17, active: low}
settle_ms: 30
relays:
  - {name: 40m, from_hz: 7000000, to_hz: 7200000, line: {chip: gpiochip0, line: 5, active: high}, read_back: {chip: gpiochip0, line: 6, active: high}}
  - {name: 20m, from_hz: 14000000, to_hz: 14350000, line: {chip: gpiochip0, line: 7, active: high}}
amplifier: {line: {chip: gpiochip0, line: 8, active: high}, settle_ms: 3}
`

func transmitter(t *testing.T, text string) setup.Transmitter {
	t.Helper()
	var got setup.Transmitter
	if err := yaml.UnmarshalWithOptions([]byte(text), &got, yaml.Strict()); err != nil {
		t.Fatal(err)
	}
	return got
}

func TestTransmitters(t *testing.T) {
	for _, text := range []string{
		"driver: simulated\nlog: tones",
		clockGenerator,
		"driver: serial\nport: /dev/ttyUSB0",
		"driver: serial\nport: /dev/ttyUSB0\nbaud: 230400",
		"driver: command\ncommand: [/usr/local/bin/key-it, --slowly]",
	} {
		if err := transmitter(t, text).Check(); err != nil {
			t.Errorf("%s\n%v", text, err)
		}
	}
}

func TestWrongTransmitters(t *testing.T) {
	for _, c := range []struct{ old, new, say string }{
		{"bus: 1", "", "transmitter.bus: missing"},
		{"bus: 1", "bus: 256", "between 0 and 255"},
		{"0x60", "0x78", "transmitter.address: 0x78"},
		{"crystal_hz: 25000000", "", "transmitter.crystal_hz: 0"},
		{"25000000", "41000000", "most boards have 25000000"},
		{"-1250", "-200001", "transmitter.calibration_ppb"},
		{"output: 2", "output: 3", "transmitter.output: 3"},
		{"driver: clock-generator", "driver: serial", `transmitter.bus: it is for the driver "clock-generator"`},
		{"active: low", "active: down", "write high or low"},
		{"active: low", "active: ''", "write high or low"},
		{"chip: gpiochip0, line: 17", "chip: '', line: 17", "transmitter.key_line.chip"},
		{"chip: gpiochip0, line: 17", "chip: ../mem, line: 17", "transmitter.key_line.chip"},
		{"line: 17", "line: 1024", "transmitter.key_line.line: 1024"},
		{"line: 17", "line: 6", "transmitter.relays[0].read_back: line 6 of gpiochip0 serves transmitter.key_line already"},
		{"settle_ms: 30", "settle_ms: 501", "transmitter.settle_ms: 501"},
		{"settle_ms: 3}", "settle_ms: 11}", "transmitter.amplifier.settle_ms: 11"},
		{"to_hz: 7200000", "to_hz: 6900000", "transmitter.relays[0] (40m)"},
		{"name: 20m", "name: ''", "transmitter.relays[1].name"},
		{clockGenerator, "driver: serial", "transmitter.port"},
		{clockGenerator, "driver: serial\nport: ttyUSB0", "transmitter.port"},
		{clockGenerator, "driver: serial\nport: /dev/ttyUSB0\nbaud: 9600", "transmitter.baud: 9600"},
		{clockGenerator, "driver: command", "transmitter.command"},
		{clockGenerator, "driver: command\ncommand: [key-it]", "full path"},
		{clockGenerator, "driver: command\ncommand: [/key-it" + strings.Repeat(", a", 32) + "]", "33 words"},
		{clockGenerator, "driver: simulated\namplifier: {line: {chip: gpiochip0, line: 8, active: high}}", "switches nothing"},
		{clockGenerator, "driver: serial\nlog: tones", "transmitter.log"},
	} {
		text := strings.Replace(clockGenerator, c.old, c.new, 1)
		if err := transmitter(t, text).Check(); err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%q for %q: %v, want %q", c.new, c.old, err, c.say)
		}
	}
	many := transmitter(t, clockGenerator)
	many.Relays = make([]setup.Relay, 33)
	if err := many.Check(); err == nil || !strings.Contains(err.Error(), "at most 32") {
		t.Errorf("%v", err)
	}
}

func TestLocalOnly(t *testing.T) {
	with := transmitter(t, clockGenerator)
	without := with
	without.KeyLine = nil
	if with.LocalOnly() != "" || !strings.Contains(without.LocalOnly(), "local control only") {
		t.Errorf("%q, %q", with.LocalOnly(), without.LocalOnly())
	}
}
