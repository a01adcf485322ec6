package planner_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
	"lamplighter/proto/onair/slot"
)

// TestNoRaiseIsLeft tries, as somebody with the checker alone would, to give a
// beacon that is short one slot more: a free one, or one of a beacon that stays
// better off without it. The slots and bands are drawn by lot.
func TestNoRaiseIsLeft(t *testing.T) {
	tried := 0
	for seed := range seeds(40) {
		file := testfleet.Crowded(seed)
		if seed%2 == 1 {
			file = testfleet.Random(seed)
		}
		in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}
		r := newRaiser(seed, in, makePlan(t, in))
		tried += r.mustFindNothing(t, 8)
	}
	t.Logf("%d tries", tried)
}

// TestRaiseIsSeen takes a transmission out of a plan: the search by lot has to find
// that it may be put back.
func TestRaiseIsSeen(t *testing.T) {
	for seed := range seeds(20) {
		in := planner.Input{Fleet: read(t, testfleet.Random(seed)), From: from, To: from.Add(day)}
		p := makePlan(t, in)
		if len(p.Transmissions) == 0 {
			continue
		}
		at := int(seed) * 31 % len(p.Transmissions)
		gone := p.Transmissions[at]
		p.Transmissions = slices.Delete(p.Transmissions, at, at+1)
		if r := newRaiser(seed, in, p); !r.legal(gone, -1) {
			t.Errorf("fleet %d: %v may not be put back", seed, gone)
		}
	}
}

// mustFindNothing tries so often for each beacon that is short.
func (r raiser) mustFindNothing(t *testing.T, times int) (tried int) {
	t.Helper()
	for _, s := range r.plan.Shortfalls {
		if s.Band != "" {
			continue
		}
		for range times {
			tried++
			if what := r.try(s.Beacon); what != "" {
				t.Errorf("%s: %s, which has %d of %d, could have %s", r.fleet.Network.Name, s.Beacon, s.Granted, s.Wanted, what)
				break
			}
		}
	}
	return tried
}

type raiser struct {
	*rand.Rand
	fleet   *fleet.Fleet
	plan    *plan.Plan
	granted map[string]int
	most    map[string]float64 // what one of full level would have
}

func newRaiser(seed uint64, in planner.Input, p *plan.Plan) raiser {
	r := raiser{rand.New(rand.NewPCG(seed, 9)), in.Fleet, p, map[string]int{}, map[string]float64{}}
	for _, x := range p.Transmissions {
		r.granted[x.Beacon]++
	}
	open := in.Fleet.Openings(in.Fleet.Network.Slot.Starting(in.From, in.To))
	for i, b := range in.Fleet.Beacons {
		r.most[b.Name] = float64(plan.Demand(b, open.OpenSlots(i))) * b.Priority.Float64()
	}
	return r
}

// level is what a beacon has of its demand, in proportion to its priority.
func (r raiser) level(name string, less int) float64 {
	return float64(r.granted[name]-less) / r.most[name]
}

func (r raiser) try(name string) string {
	b := r.fleet.Beacon(name)
	use := b.Bands[r.IntN(len(b.Bands))]
	first, end := r.fleet.Network.Slot.Starting(r.plan.From, r.plan.To)
	start := r.fleet.Network.Slot.Start(first + slot.Number(r.Int64N(int64(end-first))))
	more := plan.Transmission{Start: start, Beacon: name, Band: use.Band.Name}
	if r.legal(more, -1) {
		return "a free slot on " + use.Band.Name + " at " + start.String()
	}
	for i, x := range r.plan.Transmissions {
		if x.Start.Equal(start) && x.Beacon != name && r.level(x.Beacon, 1) > r.level(name, 0)+1e-12 && r.legal(more, i) {
			return "the slot of " + x.Beacon + ", who stays better off, on " + use.Band.Name + " at " + start.String()
		}
	}
	return ""
}

// legal tells whether the plan stays legal with one more transmission, on any
// frequency, and without another.
func (r raiser) legal(more plan.Transmission, without int) bool {
	p := *r.plan
	p.Transmissions = slices.Clone(p.Transmissions)
	if without >= 0 {
		p.Transmissions = slices.Delete(p.Transmissions, without, without+1)
	}
	var ok bool
	if more.FrequencyHz, ok = r.gap(&p, more); !ok {
		return false
	}
	p.Transmissions = append(p.Transmissions, more)
	slices.SortFunc(p.Transmissions, byStart)
	return r.passes(alone(&p, more.Start)) && r.passes(&p)
}

// alone is a plan of one slot. What the checker finds in it, it finds in the whole
// plan too, for shares of the day and sequences allow any one slot by itself; so
// most tries are refused without looking at the whole.
func alone(p *plan.Plan, start time.Time) *plan.Plan {
	one := *p
	one.From, one.To = start, start.Add(time.Duration(p.SlotSeconds)*time.Second)
	one.Transmissions = nil
	for _, x := range p.Transmissions {
		if x.Start.Equal(start) {
			x.Message = "" // what it follows is not there
			one.Transmissions = append(one.Transmissions, x)
		}
	}
	return &one
}

func (r raiser) passes(p *plan.Plan) bool {
	for _, v := range plan.Check(r.fleet, p, plan.Extra{}) {
		if v.Rule != plan.ShortfallList && v.Rule != plan.LoneExtended && v.Rule != plan.MissedPair {
			return false // the list of shortfalls and the messages would be written anew
		}
	}
	return true
}

// gap finds room between the signals of the slot.
func (r raiser) gap(p *plan.Plan, more plan.Transmission) (hz float64, ok bool) {
	b := r.fleet.Beacon(more.Beacon)
	use, _ := b.Use(more.Band)
	ranges, _ := r.fleet.FitsBand(b, use)
	for _, free := range ranges {
		for hz = math.Ceil(free.LowHz); hz <= free.HighHz; hz++ {
			clear := true
			for _, x := range p.Transmissions {
				if x.Start.Equal(more.Start) && x.Band == more.Band {
					other := r.fleet.Beacon(x.Beacon)
					need := 6 + r.fleet.Network.Guard.Float64() + b.UncertaintyHz(use.Band) + other.UncertaintyHz(use.Band)
					clear = clear && math.Abs(x.FrequencyHz-hz) >= need
				}
			}
			if clear {
				return hz, true
			}
		}
	}
	return 0, false
}
