package orders

import (
	"math"

	"lamplighter/coordinator/fleet"
)

// tuning turns a frequency of the plan into what stands in orders. Orders speak
// in whole millihertz, and a keyer holds them to the licence to the millihertz:
// a signal that the plan puts right beside an edge must not be rounded over it.
type tuning struct {
	uncertainty int64      // millihertz, rounded up
	spans       [][2]int64 // where the centre may lie, millihertz
}

func newTuning(f *fleet.Fleet, b *fleet.Beacon, use fleet.BandUse) tuning {
	u := b.UncertaintyHz(use.Band)
	t := tuning{uncertainty: int64(math.Ceil(u * 1000))}
	reach := fleet.HalfWidthHz*1000 + t.uncertainty
	ranges, _ := f.FitsBand(b, use)
	for _, r := range ranges {
		// The edges of windows and segments are whole hertz.
		low, high := math.Round(r.LowHz-fleet.HalfWidthHz-u), math.Round(r.HighHz+fleet.HalfWidthHz+u)
		t.spans = append(t.spans, [2]int64{int64(low)*1000 + reach, int64(high)*1000 - reach})
	}
	return t
}

// most is how far a frequency is moved: what two roundings can cost.
const most = 2

// millihertz is the nearest whole millihertz at which the signal stays within
// the edges.
func (t tuning) millihertz(hz float64) int64 {
	rounded := int64(math.Round(hz * 1000))
	for _, span := range t.spans {
		moved := min(max(rounded, span[0]), span[1])
		if span[0] <= span[1] && max(moved-rounded, rounded-moved) <= most {
			return moved
		}
	}
	return rounded
}
