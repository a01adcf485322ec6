package exposure

import (
	"math"
	"testing"
)

func near(a, b, relative float64) bool { return math.Abs(a-b) <= relative*math.Abs(b) }

// OET Bulletin 65, appendix A, table 1, in mW/cm².
func TestLimit(t *testing.T) {
	for _, test := range []struct{ mhz, uncontrolled, controlled float64 }{
		{0.5, 100, 100},
		{1, 100, 100},
		{1.34, 180 / (1.34 * 1.34), 100}, // 100.2: the table's steps meet nearly
		{1.9, 49.86, 100},
		{3, 20, 100},
		{7.1, 3.571, 17.85},
		{14.1, 0.9054, 4.527},
		{28.2, 0.2263, 1.1317},
		{30, 0.2, 1},
		{50.3, 0.2, 1},
		{300, 0.2, 1},
	} {
		for who, want := range map[Population]float64{Uncontrolled: test.uncontrolled, Controlled: test.controlled} {
			got, err := Limit(test.mhz, who)
			if err != nil || !near(got, 10*want, 1e-3) {
				t.Errorf("%g MHz, %v: %g W/m² (%v), want %g mW/cm²", test.mhz, who, got, err, want)
			}
		}
	}
	for _, mhz := range []float64{0, 0.29, 301, -1, math.NaN(), math.Inf(1)} {
		if got, err := Limit(mhz, Uncontrolled); err == nil {
			t.Errorf("%g MHz has a limit of %g", mhz, got)
		}
	}
}

// 5 W to a half-wave dipole (2.15 dBi) at 3 m: EIRP 8.2029 W and 0.07253 W/m² by
// section 2's equation 3, 0.18568 W/m² with the ground's 2.56 (equation 6).
func TestDensity(t *testing.T) {
	s := Station{Watts: 5, GainDBi: 2.15, MHz: 28, DutyPercent: 100, Reflection: NoReflection}
	if !near(s.EIRP(), 8.2029, 1e-4) || !near(s.Density(3), 0.07253, 1e-4) {
		t.Errorf("EIRP %g W, %g W/m²", s.EIRP(), s.Density(3))
	}
	s.Reflection = TypicalReflection
	if !near(s.Density(3), 0.18568, 1e-4) {
		t.Errorf("with the ground %g W/m²", s.Density(3))
	}
	s.Reflection = FullReflection
	if !near(s.Density(3), 8.2029/(math.Pi*9), 1e-4) {
		t.Errorf("with full reflection %g W/m², want EIRP/πR²", s.Density(3))
	}
	s.DutyPercent = 50
	if !near(s.Density(3), 8.2029/(2*math.Pi*9), 1e-4) {
		t.Errorf("keyed half of the time %g W/m²", s.Density(3))
	}
}

// A published evaluation of a station by section 2: 1500 W on average to 2.2 dBi
// at 100 ft on 3.75 MHz, with the ground, make 0.0546 mW/cm², where 64.00 and
// 12.8 are the limits.
func TestAPublishedEvaluation(t *testing.T) {
	s := Station{Watts: 1500, GainDBi: 2.2, MHz: 3.75, DutyPercent: 100, Reflection: TypicalReflection}
	if got := s.Density(100*0.3048) / 10; !near(got, 0.0546, 1e-3) {
		t.Errorf("%g mW/cm², want 0.0546", got)
	}
	for who, want := range map[Population]float64{Controlled: 64, Uncontrolled: 12.8} {
		if got, err := Limit(s.MHz, who); err != nil || !near(got, 10*want, 1e-9) {
			t.Errorf("%v: a limit of %g W/m² (%v), want %g mW/cm²", who, got, err, want)
		}
	}
}

// At the distance the density is the limit; worked by hand for 100 W to a dipole
// on 28.2 MHz: √(2.56 · 164.06 / (4π · 2.2634)) = 3.84 m, and for those who know
// √5 less.
func TestDistance(t *testing.T) {
	s := Station{Watts: 100, GainDBi: 2.15, MHz: 28.2, DutyPercent: 100, Reflection: TypicalReflection}
	for who, want := range map[Population]float64{Uncontrolled: 3.843, Controlled: 3.843 / math.Sqrt(5)} {
		got, err := s.Distance(who)
		limit, _ := Limit(s.MHz, who)
		if err != nil || !near(got, want, 1e-3) || !near(s.Density(got), limit, 1e-9) {
			t.Errorf("%v: %g m (%v), want %g", who, got, err, want)
		}
	}
	nothing := s
	nothing.Watts = 0
	if got, err := nothing.Distance(Uncontrolled); err != nil || got != 0 {
		t.Errorf("no power: %g m (%v)", got, err)
	}
	for _, change := range []func(*Station){
		func(s *Station) { s.Watts = -1 },
		func(s *Station) { s.Watts = math.NaN() },
		func(s *Station) { s.GainDBi = 61 },
		func(s *Station) { s.DutyPercent = 101 },
		func(s *Station) { s.Reflection = 3 },
		func(s *Station) { s.MHz = 1296 },
	} {
		wrong := s
		change(&wrong)
		if got, err := wrong.Distance(Uncontrolled); err == nil {
			t.Errorf("%+v: %g m", wrong, got)
		}
	}
}
