package holdover

import (
	"math"
	"time"
)

// Kind says what is known of the oscillator that the transmitter's frequency
// comes from.
type Kind int

// The kinds.
const (
	// Unknown is an oscillator of which nothing is known.
	Unknown Kind = iota
	// Measured is one that is counted against the receiver's pulse.
	Measured
	// DisciplinedByPulse is one that the receiver steers.
	DisciplinedByPulse
	// Calibrated is one that was once compared with something better.
	Calibrated
)

// Verdict says whether a frequency's uncertainty is known, or why it is not.
type Verdict string

// The verdicts.
const (
	Known          Verdict = "known"
	NoReference    Verdict = "no_reference"    // nothing is known of the oscillator
	NoMeasurement  Verdict = "no_measurement"  // nor when it was last compared
	NoAgeing       Verdict = "no_ageing"       // how it ages is not stated
	NoTemperature  Verdict = "no_temperature"  // it is not measured, and matters
	FutureMeasured Verdict = "measured_future" // compared at a time that is still to come
)

// Frequency is what is known of the transmitter's own oscillator.
type Frequency struct {
	Kind Kind
	PPB  float64   // how far it may be off when compared, or while steered; parts per billion
	At   time.Time // when it was compared, or was last steered
	// AgeingPPBPerDay is how fast it may change; nil: not stated.
	AgeingPPBPerDay *float64
	PPBPerKelvin    *float64 // how much it may change by temperature; nil: not stated
	Celsius         *float64 // the temperature at At
}

// stillMeasured is how long a comparison stands by itself.
const stillMeasured = 2 * time.Minute

// Uncertainty is how far the oscillator may be off at a time and temperature
// (nil: not measured), in parts per billion.
func (f Frequency) Uncertainty(now time.Time, celsius *float64) (float64, Verdict) {
	if f.Kind == Unknown || !(f.PPB >= 0) {
		return 0, NoReference
	}
	if f.At.IsZero() {
		return 0, NoMeasurement
	}
	age := now.Sub(f.At)
	if age < 0 {
		return 0, FutureMeasured
	}
	if f.Kind != Calibrated && age <= stillMeasured {
		return f.PPB, Known
	}
	if f.AgeingPPBPerDay == nil {
		return 0, NoAgeing
	}
	if f.PPBPerKelvin == nil || celsius == nil || f.Celsius == nil {
		return 0, NoTemperature
	}
	aged := math.Abs(*f.AgeingPPBPerDay) * age.Hours() / 24
	heated := math.Abs(*f.PPBPerKelvin * (*celsius - *f.Celsius))
	return f.PPB + aged + heated, Known
}
