package setup

import (
	"math"
	"strings"
	"testing"
)

func TestClock(t *testing.T) {
	for _, test := range []struct {
		name    string
		clock   Clock
		witness string
		fault   string // in the error; empty: none
	}{
		{"simulated", Clock{Source: "simulated"}, "none", ""},
		{"a receiver", Clock{Source: "gpsd"}, "kernel", ""},
		{"a receiver and chrony", Clock{Source: "gpsd", Witness: "chrony"}, "chrony", ""},
		{"a receiver alone", Clock{Source: "gpsd", Witness: "none", Alone: true}, "none", ""},
		{"a receiver that vouches for itself", Clock{Source: "gpsd", Witness: "nmea", Port: "/dev/ttyS0"}, "nmea", "witness: "},
		{"a serial line", Clock{Source: "nmea", Port: "/dev/ttyS0", Baud: 4800}, "kernel", ""},
		{"a serial line without a name", Clock{Source: "nmea"}, "kernel", "port: missing"},
		{"a daemon", Clock{Source: "chrony"}, "none", ""},
		{"a daemon and a serial line without a name", Clock{Source: "chrony", Witness: "nmea"}, "nmea", "port: missing"},
		{"a daemon that vouches for itself", Clock{Source: "kernel", Witness: "chrony"}, "chrony", "witness: "},
		{"a speed below zero", Clock{Source: "gpsd", Baud: -1}, "kernel", "baud: "},
		{"a floor below zero", Clock{Source: "gpsd", FloorPPM: -1}, "kernel", "floor_ppm: "},
		{"a floor of no number", Clock{Source: "gpsd", FloorPPM: math.NaN()}, "kernel", "floor_ppm: "},
	} {
		err := test.clock.check()
		if (err != nil) != (test.fault != "") || err != nil && !strings.HasPrefix(err.Error(), test.fault) {
			t.Errorf("%s: %v, want %q", test.name, err, test.fault)
		}
		if got := test.clock.WitnessInForce(); got != test.witness {
			t.Errorf("%s: the witness is %q, want %q", test.name, got, test.witness)
		}
	}
}
