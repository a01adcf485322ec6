package synth_test

import (
	"fmt"
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"lamplighter/agent/transmitter/clockgen/clockgentest"
	"lamplighter/agent/transmitter/clockgen/synth"
	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/wspr"
)

// Computed from the equations of Silicon Labs AN619 rev. 0.6 (2015).
func TestPublishedParameters(t *testing.T) {
	for _, c := range []struct {
		ratio synth.Ratio
		want  synth.Parameters
	}{
		{synth.Ratio{A: 15, B: 0, C: 1}, synth.Parameters{P1: 1408, P2: 0, P3: 1}},
		{synth.Ratio{A: 8, B: 1, C: 1048575}, synth.Parameters{P1: 512, P2: 128, P3: 1048575}},
		{synth.Ratio{A: 90, B: 0, C: 1}, synth.Parameters{P1: 11008, P2: 0, P3: 1}},
		{synth.Ratio{A: 34, B: 0, C: 1}, synth.Parameters{P1: 3840, P2: 0, P3: 1}},
		{synth.Ratio{A: 30, B: 8192, C: 1048575}, synth.Parameters{P1: 3329, P2: 1, P3: 1048575}},
		{synth.Ratio{A: 62, B: 0, C: 1}, synth.Parameters{P1: 7424, P2: 0, P3: 1}},
		{synth.Ratio{A: 34, B: 1007479, C: 1048575}, synth.Parameters{P1: 3962, P2: 1031162, P3: 1048575}},
		{synth.Ratio{A: 33, B: 51947, C: 1048575}, synth.Parameters{P1: 3718, P2: 357766, P3: 1048575}},
		{synth.Ratio{A: 33, B: 787815, C: 1048575}, synth.Parameters{P1: 3808, P2: 177120, P3: 1048575}},
	} {
		if got := c.ratio.Parameters(); got != c.want {
			t.Errorf("%+v: %+v, want %+v", c.ratio, got, c.want)
		}
	}
}

// The errors and steps of worked examples, from AN619's equations with exact
// fractions: c = 1048575.
func TestPublishedExamples(t *testing.T) {
	for _, c := range []struct {
		crystal     int64
		target      float64
		divider     uint32
		oscillator  float64
		ratio       synth.Ratio
		error, step float64
	}{
		{25e6, 14_097_100, 62, 874_020_200, synth.Ratio{A: 34, B: 1007479, C: 1048575}, -0.0956, 0.384546},
		{27e6, 10_140_200, 88, 892_337_600, synth.Ratio{A: 33, B: 51947, C: 1048575}, -0.0533, 0.292605},
		{25e6, 28_126_100, 30, 843_783_000, synth.Ratio{A: 33, B: 787815, C: 1048575}, -0.2933, 0.794729},
	} {
		plan := synth.Plan{Crystal: synth.Crystal{Hz: c.crystal}, Divider: c.divider, R: 1}
		near(t, "oscillator", c.target*float64(c.divider), c.oscillator, 0.01)
		near(t, "error", plan.Made(c.ratio)-c.target, c.error, 0.00005)
		next := c.ratio
		next.B++
		near(t, "step", plan.Made(next)-plan.Made(c.ratio), c.step, 0.0000005)
		nearest, err := plan.Tune(c.target)
		if off := math.Abs(plan.Made(nearest) - c.target); err != nil || off > 0.00005 {
			t.Errorf("%.0f Hz: the nearest fraction %+v is %g Hz off, %v", c.target, nearest, off, err)
		}
	}
}

// Two denominators that suit the tone spacing, from the same computation.
func TestPublishedSpacing(t *testing.T) {
	plan := synth.Plan{Crystal: synth.Crystal{Hz: 25e6}, Divider: 62, R: 1}
	for _, c := range []struct {
		c, steps uint32
		spacing  float64
	}{{275269, 1, 1.46484278}, {825806, 3, 1.46484455}} {
		low, high := synth.Ratio{A: 34, B: 1000, C: c.c}, synth.Ratio{A: 34, B: 1000 + c.steps, C: c.c}
		near(t, "spacing", plan.Made(high)-plan.Made(low), c.spacing, 0.00000002)
	}
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: %.9f, want %.9f", what, got, want)
	}
}

// The nearest fraction against a search through every denominator.
func TestNearestIsNearest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(15, 90).Draw(t, "x")
		got := synth.Nearest(x)
		if got.C < 1 || got.C > synth.MaxDenominator || got.B >= got.C {
			t.Fatalf("%+v", got)
		}
		off := math.Abs(got.Value() - x)
		frac := x - math.Floor(x)
		for c := rapid.IntRange(1, 200).Draw(t, "from"); c <= synth.MaxDenominator; c += 61 {
			other := math.Abs(math.Round(frac*float64(c))/float64(c) - frac)
			if other < off-2e-14 {
				t.Fatalf("%v: %+v is %g off, and with c = %d it would be %g", x, got, off, c, other)
			}
		}
	})
}

func TestNearestOfSimpleFractions(t *testing.T) {
	for x, want := range map[float64]synth.Ratio{
		15:                 {A: 15, B: 0, C: 1},
		35.5:               {A: 35, B: 1, C: 2},
		30 + 1.0/3:         {A: 30, B: 1, C: 3},
		24 - 1e-12:         {A: 24, B: 0, C: 1},
		24 + 1e-12:         {A: 24, B: 0, C: 1},
		8 + 1.0/1048575:    {A: 8, B: 1, C: 1048575},
		34 + 1.0/1048575/3: {A: 34, B: 0, C: 1},
	} {
		if got := synth.Nearest(x); got != want {
			t.Errorf("%v: %+v, want %+v", x, got, want)
		}
	}
}

// exact programs a simulated part and asks it for its frequency.
func exact(t *testing.T, plan synth.Plan, ratio synth.Ratio, crystal *big.Rat) float64 {
	t.Helper()
	part := clockgentest.New(crystal)
	loop, divider := ratio.Parameters().Registers(), plan.DividerRegisters()
	for _, w := range [][]byte{append([]byte{26}, loop[:]...), append([]byte{42}, divider[:]...), {16, 0x4f}} {
		if err := part.Tx(clockgentest.Address, w, nil); err != nil {
			t.Fatal(err)
		}
	}
	hz := part.Hz(0)
	if hz == nil {
		t.Fatalf("%+v %+v makes no signal", plan, ratio)
	}
	f, _ := hz.Float64()
	return f
}

// crystals are a usual one, another, and a temperature-compensated one, each
// with an error that calibration has to take out.
var crystals = []synth.Crystal{{Hz: 25e6}, {Hz: 25e6, PPB: -31_415}, {Hz: 27e6, PPB: 2_718}, {Hz: 26e6, PPB: 111}}

func (c trueCrystal) hz() *big.Rat {
	ppb := new(big.Rat).Add(big.NewRat(1, 1), big.NewRat(c.PPB, 1e9))
	return ppb.Mul(ppb, big.NewRat(c.Hz, 1))
}

type trueCrystal synth.Crystal

// Every tone, for signals at each 5 Hz of every band's window.
func TestTonesOfEveryBand(t *testing.T) {
	for _, crystal := range crystals {
		for _, b := range band.Standard().All() {
			t.Run(fmt.Sprintf("%d%+d/%s", crystal.Hz, crystal.PPB, b.Name), func(t *testing.T) {
				worst, worstSpacing := 0.0, 0.0
				for centre := b.LowHz() + 3; centre <= b.HighHz()-3; centre += 5 {
					plan, err := synth.New(crystal, wspr.ToneHz(float64(centre), 0))
					if err != nil {
						t.Fatal(err)
					}
					var made [4]float64
					for symbol := range byte(4) {
						tone := wspr.ToneHz(float64(centre), symbol)
						ratio, err := plan.Tune(tone)
						if err != nil {
							t.Fatal(err)
						}
						made[symbol] = exact(t, plan, ratio, trueCrystal(crystal).hz())
						worst = max(worst, math.Abs(made[symbol]-tone))
					}
					for i := range 3 {
						worstSpacing = max(worstSpacing, math.Abs((made[i+1]-made[i])/wspr.ToneSpacingHz-1))
					}
				}
				t.Logf("worst error %.6f Hz, worst spacing %.4f %%", worst, 100*worstSpacing)
				if worst > 0.02 || worstSpacing > 0.01 {
					t.Errorf("worst error %v Hz, worst spacing %v", worst, worstSpacing)
				}
			})
		}
	}
}

// From 150 MHz up the divider is 4, which has a switch of its own; far down, R
// divides by up to 128.
func TestBothEndsOfTheRange(t *testing.T) {
	for hz, want := range map[float64]synth.Plan{
		7_812.5:       {R: 128},
		60_000:        {R: 32},
		149_999_990:   {R: 1, Divider: 6},
		150_000_100.3: {R: 1, Divider: 4},
		199_999_990.7: {R: 1, Divider: 4},
	} {
		crystal := synth.Crystal{Hz: 25e6, PPB: 17}
		plan, err := synth.New(crystal, hz)
		if err != nil {
			t.Errorf("%v Hz: %v", hz, err)
			continue
		}
		ratio, err := plan.Tune(hz)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "made", exact(t, plan, ratio, trueCrystal(crystal).hz()), hz, 0.02)
		if plan.R != want.R || (want.Divider != 0 && plan.Divider != want.Divider) {
			t.Errorf("%v Hz: %+v", hz, plan)
		}
	}
}

func TestRanges(t *testing.T) {
	crystal := synth.Crystal{Hz: 25e6}
	for _, hz := range []float64{0, -1, 7812, 200_000_001, 432_300_000, math.NaN(), math.Inf(1)} {
		if plan, err := synth.New(crystal, hz); err == nil {
			t.Errorf("%v Hz: %+v", hz, plan)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		crystal := synth.Crystal{Hz: rapid.Int64Range(10e6, 40e6).Draw(t, "crystal"), PPB: rapid.Int64Range(-200_000, 200_000).Draw(t, "ppb")}
		hz := rapid.Float64Range(synth.LowestHz, 200e6).Draw(t, "hz")
		plan, err := synth.New(crystal, hz)
		if err != nil {
			return // too near to a simple fraction
		}
		ratio, err := plan.Tune(hz)
		if err != nil || math.Abs(plan.Made(ratio)-hz) > 0.02 {
			t.Fatalf("%+v %+v %v", plan, ratio, err)
		}
		oscillator := hz * float64(plan.Divider) * float64(plan.R)
		if oscillator < 600e6 || oscillator > 900e6 || plan.Divider%2 != 0 || plan.Divider < 4 || plan.Divider > 900 || plan.R > 128 {
			t.Fatalf("%+v: oscillator at %v", plan, oscillator)
		}
		if _, err := plan.Tune(hz / 2); err == nil {
			t.Fatal("it follows to half the frequency")
		}
	})
}

// How many frequencies on 2 m, where one divider is left, are out of reach.
func TestFewHolesOnTwoMetres(t *testing.T) {
	crystal, holes := synth.Crystal{Hz: 25e6}, 0
	const tried = 20_000
	for i := range tried {
		if _, err := synth.New(crystal, 144_000_000+float64(i)*100.07); err != nil {
			holes++
		}
	}
	t.Logf("%d of %d are out of reach", holes, tried)
	if holes > tried/500 {
		t.Errorf("%d of %d are out of reach", holes, tried)
	}
}
