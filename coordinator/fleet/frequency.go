package fleet

import (
	"cmp"
	"slices"
)

// HalfWidthHz is half of the width that a signal occupies: 4 tones, each
// 12000/8192 Hz apart, are 5.86 Hz wide, rounded up to 6.
const HalfWidthHz = 3

// Unusable says why a beacon can't use one of its bands; "" when it can.
type Unusable string

// The reasons.
const (
	NoRoom         Unusable = "no room: the oscillator may be off by more than the band's window leaves"
	NoFilter       Unusable = "no fitted filter passes it"
	OverLicence    Unusable = "its power is above the licence's limit"
	OutsideLicence Unusable = "no licensed segment holds the signal with its uncertainty inside the band's window"
	OverSegment    Unusable = "its power is above the limit of every licensed segment there"
)

// Range is a closed range of frequencies on the air, in hertz.
type Range struct{ LowHz, HighHz float64 }

// FitsBand returns the ranges in which the centre of the beacon's signal may lie
// on one of its bands, rising and apart from each other. The whole signal with
// its uncertainty, f ± (3 + u), stays within the band's window and, where the
// licence names segments, within one that allows the power. Without any range,
// why says what forbids the band.
func (f *Fleet) FitsBand(b *Beacon, use BandUse) (ranges []Range, why Unusable) {
	u := b.UncertaintyHz(use.Band)
	edge := HalfWidthHz + u
	window := Range{float64(use.Band.LowHz()) + edge, float64(use.Band.HighHz()) - edge}
	switch {
	case window.LowHz > window.HighHz:
		return nil, NoRoom
	case !b.passes(use.Band.Name):
		return nil, NoFilter
	case use.PowerDBm > b.Licence.MaxPowerDBm:
		return nil, OverLicence
	case len(b.Licence.Segments) == 0:
		return []Range{window}, ""
	}
	why = OutsideLicence
	for _, segment := range b.Licence.Segments {
		allowed := Range{
			max(window.LowHz, float64(segment.FromHz)+edge),
			min(window.HighHz, float64(segment.ToHz)-edge),
		}
		switch {
		case allowed.LowHz > allowed.HighHz:
		case use.PowerDBm > segment.LimitDBm:
			why = OverSegment
		default:
			ranges = append(ranges, allowed)
		}
	}
	if len(ranges) > 0 {
		return union(ranges), ""
	}
	return nil, why
}

// union joins ranges that touch and sorts them.
func union(ranges []Range) []Range {
	slices.SortFunc(ranges, func(a, b Range) int { return cmp.Compare(a.LowHz, b.LowHz) })
	joined := ranges[:1]
	for _, r := range ranges[1:] {
		last := &joined[len(joined)-1]
		if r.LowHz <= last.HighHz {
			last.HighHz = max(last.HighHz, r.HighHz)
			continue
		}
		joined = append(joined, r)
	}
	return joined
}
