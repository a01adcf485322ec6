package clock

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/clock/gpsd"
	"lamplighter/proto/setup"
)

func value(v float64) *float64 { return &v }

// ppb compares with what is wanted; below 0: not known.
func ppb(t *testing.T, name string, got *float64, want float64) {
	t.Helper()
	switch {
	case want < 0 && got != nil:
		t.Errorf("%s: %g ppb, and nothing is known", name, *got)
	case want >= 0 && (got == nil || math.Abs(*got-want) > 1e-6):
		t.Errorf("%s: %v, want %g ppb", name, got, want)
	}
}

// 100 ppb at 21 °C, and then 3 ppb a day and 40 ppb for each kelvin.
func TestAFreeOscillatorAgesAndWarms(t *testing.T) {
	known := setup.Reference{Steered: "no", UncertaintyPPB: 100, Compared: "2026-10-03", Celsius: value(21), AgeingPPBPerDay: value(3), PPBPerKelvin: value(40)}
	day := time.Date(2026, 10, 3, 0, 0, 0, 0, time.UTC)
	r := newReference(known)
	ppb(t, "on the day", r.ppb(day, value(21)), 100)
	ppb(t, "ten days later", r.ppb(day.AddDate(0, 0, 10), value(21)), 130)
	ppb(t, "ten days later and colder", r.ppb(day.AddDate(0, 0, 10), value(16)), 330)
	ppb(t, "no thermometer", r.ppb(day.AddDate(0, 0, 10), nil), -1)
	ppb(t, "before it was compared", r.ppb(day.AddDate(0, 0, -1), value(21)), -1)
	known.AgeingPPBPerDay = nil
	ppb(t, "how it ages is not stated", newReference(known).ppb(day.AddDate(0, 0, 10), value(21)), -1)
}

// While gpsd says that it is steered it is good, and two minutes longer; then
// only what is declared of it counts.
func TestASteeredOscillator(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		steered := gpsd.OSC{Running: true, Reference: true, Disciplined: true}
		bare := newReference(setup.Reference{Steered: "gpsd", UncertaintyPPB: 2})
		full := newReference(setup.Reference{Steered: "gpsd", UncertaintyPPB: 2, AgeingPPBPerDay: value(24), PPBPerKelvin: value(10)})
		both := func(name string, wantBare, wantFull float64) {
			t.Helper()
			ppb(t, name, bare.ppb(time.Now(), value(20)), wantBare)
			ppb(t, name, full.ppb(time.Now(), value(20)), wantFull)
		}
		both("nothing heard", -1, -1)
		bare.hear(gpsd.OSC{Running: true, Reference: true})
		full.hear(gpsd.OSC{Running: true, Disciplined: true})
		both("not steered", -1, -1)
		bare.hear(steered)
		full.hear(steered)
		both("steered", 2, 2)
		<-time.After(4 * time.Second)
		both("a little later", 2, 2)
		<-time.After(time.Minute)
		both("lost for a minute", 2, 2)
		<-time.After(time.Hour)
		ppb(t, "lost for an hour, nothing declared", bare.ppb(time.Now(), value(20)), -1)
		ppb(t, "lost for an hour", full.ppb(time.Now(), value(20)), 2+24*(1+60./3600)/24)
		ppb(t, "and colder", full.ppb(time.Now(), value(19)), 12+24*(1+60./3600)/24)
	})
}
