package plan

import (
	"math"
	"slices"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/slot"
)

// Figures say how good a plan is. None of them says that it may be carried out:
// that is for Check.
type Figures struct {
	Beacons []BeaconFigures `json:"beacons"` // in the fleet's order
	Wanted  int64           `json:"wanted"`  // sum of demands
	Granted int64           `json:"granted"`

	// Jain's index of granted / (demand · priority), history included, over the
	// beacons with a demand: (Σx)² / (n·Σx²), DEC TR-301 (1984). Where nobody
	// wants or nobody gets anything it is 1: all are treated alike.
	Jain float64 `json:"jain"`

	// The largest difference, over all beacons and slots open to them, between
	// transmissions so far and granted rate times open slots so far.
	AirtimeDeviation float64 `json:"airtime_deviation"`

	// The largest difference, over all beacons, bands and numbers of
	// transmissions, between those on the band and the band's weight share of
	// them, where at each only the bands then open share.
	BandDeviation float64 `json:"band_deviation"`

	Spread Spread `json:"spread"`

	// The part of the previous plan's transmissions in this plan's time, of
	// beacons still there and still allowed, that are missing or changed. Absent
	// without a previous plan.
	Churn *float64 `json:"churn,omitempty"`
}

// BeaconFigures are those of one beacon.
type BeaconFigures struct {
	Beacon           string  `json:"beacon"`
	OpenSlots        int64   `json:"open_slots"`
	Wanted           int64   `json:"wanted"`
	Granted          int64   `json:"granted"`
	AirtimeDeviation float64 `json:"airtime_deviation"`
	BandDeviation    float64 `json:"band_deviation"`
}

// Measure computes the figures of a plan. Transmissions that Check could not
// place (of unknown beacons, on foreign bands, off the slots) don't count.
func Measure(f *fleet.Fleet, p *Plan, extra Extra) Figures {
	c := newChecker(f, p, extra)
	c.resolve()
	openings := f.Openings(c.first, c.end)
	wants := Wants(f, p, extra.History)
	plans, past := make([][]*entry, len(f.Beacons)), make([]int64, len(f.Beacons))
	for i := range c.entries {
		e := &c.entries[i]
		plans[e.index] = append(plans[e.index], e)
	}
	for i := range c.history {
		past[c.history[i].index]++
	}
	figures := Figures{Beacons: make([]BeaconFigures, 0, len(f.Beacons))}
	var shares []float64
	for i, b := range f.Beacons {
		granted := int64(len(plans[i]))
		one := BeaconFigures{
			Beacon: b.Name, OpenSlots: wants[i].Open, Wanted: wants[i].Demand, Granted: granted,
			AirtimeDeviation: airtimeDeviation(plans[i], openings, i),
			BandDeviation:    bandDeviation(plans[i], openings, i),
		}
		figures.Beacons = append(figures.Beacons, one)
		figures.Wanted += one.Wanted
		figures.Granted += one.Granted
		figures.AirtimeDeviation = max(figures.AirtimeDeviation, one.AirtimeDeviation)
		figures.BandDeviation = max(figures.BandDeviation, one.BandDeviation)
		if all := wants[i].Before + wants[i].Demand; all > 0 {
			shares = append(shares, float64(past[i]+granted)/(float64(all)*b.Priority.Float64()))
		}
	}
	figures.Jain = Jain(shares)
	figures.Spread = spread(plans, openings, f.Network.Slot)
	figures.Churn = c.churn(openings)
	return figures
}

// Jain returns Jain's index of fairness, from 1/n (one takes all) to 1 (all
// equal). For no values, and where all are 0, it is 1.
func Jain(values []float64) float64 {
	var sum, squares float64
	for _, x := range values {
		sum += x
		squares += x * x
	}
	if squares == 0 {
		return 1
	}
	return sum * sum / (float64(len(values)) * squares)
}

// airtimeDeviation is the largest difference between transmissions so far and
// granted rate times open slots so far. Between transmissions it only falls, so
// it is taken just before and just after each, and at the end.
func airtimeDeviation(plan []*entry, o *fleet.Openings, beacon int) float64 {
	open := o.OpenSlots(beacon)
	if len(plan) == 0 || open == 0 {
		return 0
	}
	rate := float64(len(plan)) / float64(open)
	worst, soFar, from := 0.0, int64(0), o.First
	for i, e := range plan {
		soFar += o.OpenSlotsIn(beacon, from, e.n)
		worst = max(worst, math.Abs(float64(i)-rate*float64(soFar)))
		soFar += o.OpenSlotsIn(beacon, e.n, e.n+1)
		worst = max(worst, math.Abs(float64(i+1)-rate*float64(soFar)))
		from = max(from, e.n+1)
	}
	return worst
}

// bandDeviation is the largest difference between transmissions on a band so far
// and the band's share of all so far.
func bandDeviation(plan []*entry, o *fleet.Openings, beacon int) float64 {
	if len(plan) == 0 {
		return 0
	}
	bands := plan[0].beacon.Bands
	due := make([]float64, len(bands)) // weight share less transmissions, so far
	worst := 0.0
	for _, e := range plan {
		var open float64
		for j := range bands {
			if o.Open(beacon, j, e.n) {
				open += bands[j].Weight.Float64()
			}
		}
		for j := range bands {
			if o.Open(beacon, j, e.n) {
				due[j] += bands[j].Weight.Float64() / open
			}
			if bands[j].Band.Name == e.band {
				due[j]--
			}
			worst = max(worst, math.Abs(due[j]))
		}
	}
	return worst
}

// churn compares with the previous plan.
func (c *checker) churn(o *fleet.Openings) *float64 {
	if c.extra.Previous == nil {
		return nil
	}
	type place struct {
		n      slot.Number
		beacon int
	}
	now := make(map[place][]*entry, len(c.entries))
	for i := range c.entries {
		e := &c.entries[i]
		now[place{e.n, e.index}] = append(now[place{e.n, e.index}], e)
	}
	kept, changed := 0, 0
	for i := range c.extra.Previous.Transmissions {
		old, ok := c.entry(&c.extra.Previous.Transmissions[i])
		if !ok || old.use == nil || old.n < c.first || old.n >= c.end || !o.Open(old.index, slices.IndexFunc(old.beacon.Bands, func(u fleet.BandUse) bool { return u.Band.Name == old.band }), old.n) {
			continue
		}
		if slices.ContainsFunc(now[place{old.n, old.index}], func(e *entry) bool {
			return e.band == old.band && e.hz == old.hz && (e.message == Extended) == (old.message == Extended)
		}) {
			kept++
		} else {
			changed++
		}
	}
	fraction := 0.0
	if changed > 0 {
		fraction = float64(changed) / float64(kept+changed)
	}
	return &fraction
}
