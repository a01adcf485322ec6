package orders

import (
	"math"
	"testing"
)

// A frequency right at an edge of the window, as the planning rules allow it
// (rule 4: f ± (3 + u) within the window), stays inside in whole millihertz.
func TestASignalBesideAnEdgeIsNotRoundedOverIt(t *testing.T) {
	f := readFleet(t, twoNear)
	b := f.Beacon("mill-hf")
	use, _ := b.Use("40m")
	tune := newTuning(f, b, use)
	u := b.UncertaintyHz(use.Band)
	low, high := float64(use.Band.LowHz()), float64(use.Band.HighHz())
	for name, hz := range map[string]float64{
		"lower edge": low + 3 + u, "upper edge": high - 3 - u, "middle": (low + high) / 2, "odd": (low+high)/2 + 0.0004,
	} {
		got := tune.millihertz(hz)
		reach := 3000 + tune.uncertainty
		if got-reach < use.Band.LowHz()*1000 || got+reach > use.Band.HighHz()*1000 {
			t.Errorf("%s: %d ± %d mHz leaves %v to %v Hz", name, got, reach, low, high)
		}
		if off := math.Abs(float64(got) - hz*1000); off > most {
			t.Errorf("%s: moved by %v mHz", name, off)
		}
	}
	if float64(tune.uncertainty) < u*1000 || float64(tune.uncertainty) > u*1000+1 {
		t.Errorf("uncertainty %d mHz of %v Hz", tune.uncertainty, u)
	}
	if got := tune.millihertz(1000.0004); got != 1000000 {
		t.Errorf("far outside: %d", got)
	}
}
