package setup

import (
	"strings"
	"testing"
)

func TestReference(t *testing.T) {
	value := func(v float64) *float64 { return &v }
	good := func() *File {
		return &File{
			Clock: Clock{Source: "gpsd"},
			Transmitter: Transmitter{Reference: &Reference{
				Steered: "no", UncertaintyPPB: 100, Compared: "2026-10-03", Celsius: value(21), AgeingPPBPerDay: value(3), PPBPerKelvin: value(40),
			}},
		}
	}
	if err := good().checkReference(); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		want   string
		change func(*File)
	}{
		{"", func(f *File) { f.Transmitter.Reference = nil }},
		{"", func(f *File) { *f.Transmitter.Reference = Reference{Steered: "gpsd", UncertaintyPPB: 1} }},
		{"take one of them out", func(f *File) { f.Transmitter.UncertaintyPPB = 1 }},
		{"with a simulated clock", func(f *File) { f.Clock.Source = "simulated" }},
		{"gpsd is not listened to", func(f *File) {
			*f.Transmitter.Reference = Reference{Steered: "gpsd", UncertaintyPPB: 1}
			f.Clock.Source = "kernel"
		}},
		{"steered: \"\"", func(f *File) { f.Transmitter.Reference.Steered = "" }},
		{"uncertainty_ppb: 0", func(f *File) { f.Transmitter.Reference.UncertaintyPPB = 0 }},
		{"compared: \"\"", func(f *File) { f.Transmitter.Reference.Compared = "" }},
		{"compared: \"yesterday\"", func(f *File) { f.Transmitter.Reference.Compared = "yesterday" }},
		{"compared, celsius: they are for", func(f *File) { f.Transmitter.Reference.Steered = "gpsd" }},
		{"ageing_ppb_per_day: -3", func(f *File) { f.Transmitter.Reference.AgeingPPBPerDay = value(-3) }},
		{"ppb_per_kelvin: 2e+06", func(f *File) { f.Transmitter.Reference.PPBPerKelvin = value(2e6) }},
		{"celsius: 900", func(f *File) { f.Transmitter.Reference.Celsius = value(900) }},
	} {
		f := good()
		test.change(f)
		err := f.checkReference()
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%v, want %q", err, test.want)
		}
	}
}

func TestSensors(t *testing.T) {
	for _, test := range []struct {
		sensors Sensors
		want    string
	}{
		{Sensors{}, ""},
		{Sensors{SupplyVolts: &Sensor{File: "/sys/in", Scale: 0.001}}, ""},
		{Sensors{SupplyVolts: &Sensor{File: "in", Scale: 0.001}}, "supply_volts.file"},
		{Sensors{ForwardWatts: &Sensor{File: "/sys/in"}}, "forward_watts.scale"},
	} {
		err := test.sensors.check()
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%v, want %q", err, test.want)
		}
	}
}
