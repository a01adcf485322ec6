// Package exposure computes how far people have to stay from an antenna, by the
// formulas and limits of the FCC's OET Bulletin 65 (edition 97-01, August 1997):
// the power density of section 2, S = EIRP/(4πR²), raised by the field that the
// ground reflects, against the maximum permissible exposure of appendix A,
// table 1.
//
// It is a far-field estimate of one antenna in its strongest direction. Near a
// large antenna, or one close to the ground or to other metal, the field may be
// stronger. It is no legal advice: other countries have other limits, and the
// licence and local rules come first.
package exposure

import (
	"errors"
	"fmt"
	"math"
)

// Reflection is by how much the ground raises the power density.
type Reflection float64

// The reflections of section 2: equations 3, 6 and 5.
const (
	NoReflection      Reflection = 1    // free space
	TypicalReflection Reflection = 2.56 // a field strength raised by 1.6, as over real ground
	FullReflection    Reflection = 4    // doubled field strength: the worst that there is
)

// Population is who may come near.
type Population int

// The populations of table 1.
const (
	Uncontrolled Population = iota // people who do not know, averaged over 30 minutes
	Controlled                     // those who know and can leave, averaged over 6 minutes
)

// Station is what the field comes from.
type Station struct {
	Watts       float64 // towards the antenna, at its feed point
	GainDBi     float64 // in its strongest direction, over an isotropic radiator
	MHz         float64
	DutyPercent float64 // of the averaging time that the transmitter is keyed; 100 is on all the time
	Reflection  Reflection
}

// EIRP is the radiated power, averaged over time, in watts.
func (s Station) EIRP() float64 {
	return s.Watts * math.Pow(10, s.GainDBi/10) * s.DutyPercent / 100
}

// Density is the power density at a distance in metres, in watts per square
// metre.
func (s Station) Density(metres float64) float64 {
	return float64(s.Reflection) * s.EIRP() / (4 * math.Pi * metres * metres)
}

// Distance is how far from the antenna the limit is met, in metres.
func (s Station) Distance(who Population) (float64, error) {
	if err := s.check(); err != nil {
		return 0, err
	}
	limit, err := Limit(s.MHz, who)
	if err != nil {
		return 0, err
	}
	return math.Sqrt(float64(s.Reflection) * s.EIRP() / (4 * math.Pi * limit)), nil
}

func (s Station) check() error {
	within := func(v, low, high float64) bool { return v >= low && v <= high } // false for what is no number
	switch {
	case !within(s.Watts, 0, 1e6):
		return fmt.Errorf("a power of %g W, and it must lie between 0 and 1000000", s.Watts)
	case !within(s.GainDBi, -60, 60):
		return fmt.Errorf("a gain of %g dBi, and it must lie between -60 and 60", s.GainDBi)
	case !within(s.DutyPercent, 0, 100):
		return fmt.Errorf("keyed for %g %% of the time, and it must lie between 0 and 100", s.DutyPercent)
	case s.Reflection != NoReflection && s.Reflection != TypicalReflection && s.Reflection != FullReflection:
		return errors.New("choose one of the reflections 1, 2.56 and 4")
	}
	return nil
}

// Limit is the maximum permissible exposure at a frequency, in watts per square
// metre (table 1: milliwatts per square centimetre, of which each is ten).
func Limit(mhz float64, who Population) (float64, error) {
	const milliwattsPerSquareCentimetre = 10
	var s float64
	switch {
	case !(mhz >= 0.3 && mhz <= 300): // false for what is no number
		return 0, fmt.Errorf("limits are known here from 0.3 to 300 MHz, and not at %g", mhz)
	case who == Controlled && mhz < 3:
		s = 100
	case who == Controlled && mhz < 30:
		s = 900 / (mhz * mhz)
	case who == Controlled:
		s = 1
	case mhz < 1.34:
		s = 100
	case mhz < 30:
		s = 180 / (mhz * mhz)
	default:
		s = 0.2
	}
	return s * milliwattsPerSquareCentimetre, nil
}
