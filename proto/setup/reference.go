package setup

import (
	"fmt"
	"time"
)

// Reference says what is known of the oscillator that the transmitter's
// frequency comes from. Nothing follows for it from the clock's lock.
type Reference struct {
	// Steered is "no" for one that runs free and was once compared with
	// something better, "gpsd" for one that the receiver steers and of which
	// gpsd tells (its OSC reports).
	Steered string `yaml:"steered"`
	// UncertaintyPPB is how far off it may have been when it was compared, or may
	// be while it is steered, in parts per billion.
	UncertaintyPPB float64 `yaml:"uncertainty_ppb"`
	// Compared is the day on which it was, such as 2026-10-03; for one that is
	// not steered.
	Compared string `yaml:"compared,omitempty"`
	// Celsius is the temperature at which it was compared.
	Celsius *float64 `yaml:"celsius,omitempty"`
	// AgeingPPBPerDay is by how much it may change in a day, and PPBPerKelvin by
	// how much with the temperature, which clock.thermometer measures. Without
	// them nothing is known once it is not steered, and the beacon is mute.
	AgeingPPBPerDay *float64 `yaml:"ageing_ppb_per_day,omitempty"`
	PPBPerKelvin    *float64 `yaml:"ppb_per_kelvin,omitempty"`
}

const (
	maxPPB  = 1e6 // a thousandth: such an oscillator is broken
	dayForm = "2006-01-02"
)

// ComparedOn is the beginning, in UTC, of the day on which the oscillator was compared; zero:
// none is stated.
func (r Reference) ComparedOn() time.Time {
	day, err := time.Parse(dayForm, r.Compared)
	if err != nil {
		return time.Time{}
	}
	return day
}

func (r Reference) check() error {
	within := func(key string, value *float64, low, high float64) error {
		if value != nil && !(*value >= low && *value <= high) {
			return fmt.Errorf("%s: %g, and it must lie between %g and %g", key, *value, low, high)
		}
		return nil
	}
	switch {
	case r.Steered != "no" && r.Steered != "gpsd":
		return fmt.Errorf("steered: %q; write no for an oscillator that runs free, or gpsd for one that the receiver steers and gpsd tells of", r.Steered)
	case !(r.UncertaintyPPB > 0 && r.UncertaintyPPB <= maxPPB):
		return fmt.Errorf("uncertainty_ppb: %g, and it must lie above 0 and at most at %g", r.UncertaintyPPB, maxPPB)
	case r.Steered == "no" && r.ComparedOn().IsZero():
		return fmt.Errorf("compared: %q; write the day on which the oscillator was compared with something better, such as 2026-10-03", r.Compared)
	case r.Steered == "gpsd" && (r.Compared != "" || r.Celsius != nil):
		return fmt.Errorf("compared, celsius: they are for an oscillator that runs free; take them out")
	}
	for _, err := range []error{
		within("celsius", r.Celsius, -80, 200),
		within("ageing_ppb_per_day", r.AgeingPPBPerDay, 0, maxPPB),
		within("ppb_per_kelvin", r.PPBPerKelvin, 0, maxPPB),
	} {
		if err != nil {
			return err
		}
	}
	return nil
}

// checkReference looks at the file as a whole.
func (f *File) checkReference() error {
	r := f.Transmitter.Reference
	switch {
	case r == nil:
		return nil
	case f.Transmitter.UncertaintyPPB != 0:
		return fmt.Errorf("transmitter.uncertainty_ppb: transmitter.reference says how far off the frequency may be; take one of them out")
	case f.Clock.Source == "simulated":
		return fmt.Errorf("transmitter.reference: with a simulated clock it is not looked at; write transmitter.uncertainty_ppb")
	case r.Steered == "gpsd" && f.Clock.Source != "gpsd" && f.Clock.Witness != "gpsd":
		return fmt.Errorf("transmitter.reference.steered: gpsd is not listened to; make it clock.source or clock.witness")
	}
	if err := r.check(); err != nil {
		return fmt.Errorf("transmitter.reference.%w", err)
	}
	return nil
}
