package main

import (
	"strings"
	"testing"

	"lamplighter/agent/app/apptest"
	"lamplighter/proto/setup"
)

// Looking at a configuration opens nothing: none of this hardware is here, and
// in front of real hardware a look would disturb what is on the air.
func TestCheckTouchesNoHardware(t *testing.T) {
	noBus := 250
	mind := "Mind: a clock generator without key_line"
	for _, c := range []struct {
		settings setup.Transmitter
		say      string
		mind     bool
	}{
		{setup.Transmitter{Driver: "clock-generator", Bus: &noBus, CrystalHz: 25e6}, `driven by "clock-generator"`, true},
		{setup.Transmitter{
			Driver: "clock-generator", Bus: &noBus, CrystalHz: 25e6,
			KeyLine: &setup.Line{Chip: "gpiochip999", Line: 17, Active: "low"},
		}, `driven by "clock-generator"`, false},
		{setup.Transmitter{Driver: "serial", Port: "/dev/no-such-line"}, `driven by "serial"`, false},
		{setup.Transmitter{Driver: "command", Command: []string{"/no/such/program"}}, `driven by "command"`, false},
	} {
		s := apptest.New(t)
		s.File.Transmitter = c.settings
		code, out, err := call("check", "--config", written(t, s.File))
		if code != done || !strings.Contains(out, c.say) || strings.Contains(out, mind) != c.mind {
			t.Errorf("%s: exit %d, %s%s", c.settings.Driver, code, out, err)
		}
	}
}
