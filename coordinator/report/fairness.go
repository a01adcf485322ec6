package report

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/proto/onair/slot"
)

// blockHours is how long a block of the UTC day is.
const blockHours = 4

// want is what a beacon wants.
type want struct {
	demand int64 // whole transmissions, as the planner counts them
	blocks map[blockKey]float64
}

// wants says what each beacon wants in [from, until): of the slots that were open
// to it, by the fleet that was in force, its share; in each slot the bands open
// there share by their weights.
func wants(fleets []Fleet, from, until time.Time) map[string]want {
	all := map[string]want{}
	for _, f := range fleets {
		begin, end := f.From, f.To
		if begin.Before(from) {
			begin = from
		}
		if end.After(until) {
			end = until
		}
		if begin.Before(end) {
			addWants(all, f.Fleet, begin, end)
		}
	}
	return all
}

// pieceSlots is how many slots are looked at together, so that a long period does
// not need much memory.
const pieceSlots = 8192

func addWants(all map[string]want, f *fleet.Fleet, from, to time.Time) {
	first, end := f.Network.Slot.Starting(from, to)
	open := make([]int64, len(f.Beacons))
	for ; first < end; first += pieceSlots {
		o := f.Openings(first, min(first+pieceSlots, end))
		for i, b := range f.Beacons {
			open[i] += o.OpenSlots(i)
			w := all[b.Name]
			if w.blocks == nil {
				w.blocks = map[blockKey]float64{}
			}
			addBlocks(w.blocks, f, o, i)
			all[b.Name] = w
		}
	}
	for i, b := range f.Beacons {
		w := all[b.Name]
		w.demand += plan.Demand(b, open[i])
		all[b.Name] = w
	}
}

func addBlocks(blocks map[blockKey]float64, f *fleet.Fleet, o *fleet.Openings, beacon int) {
	b := f.Beacons[beacon]
	rate := b.Rate().Float64()
	perBlock := slot.Number(blockHours * 3600 / int64(f.Network.Slot))
	weights := make([]float64, len(b.Bands))
	for i, use := range b.Bands {
		weights[i] = use.Weight.Float64()
	}
	sums := make([]float64, len(b.Bands))
	for first := o.First; first < o.End; {
		block := first / perBlock
		for ; first < o.End && first/perBlock == block; first++ {
			var sum float64
			for j := range weights {
				if o.Open(beacon, j, first) {
					sum += weights[j]
				}
			}
			for j := range weights {
				if sum > 0 && o.Open(beacon, j, first) {
					sums[j] += weights[j] / sum
				}
			}
		}
		hour := int(block) % (24 / blockHours) * blockHours
		for j := range sums {
			if sums[j] > 0 {
				blocks[blockKey{b.Bands[j].Band.Name, hour}] += sums[j] * rate
			}
			sums[j] = 0
		}
	}
}

// pauses lists the planned pauses in the period, of the fleet in force at each
// time.
func pauses(o Options) []Pause {
	list := []Pause{}
	for _, f := range o.Fleets {
		from, to := f.From, f.To
		if from.Before(o.Period.From) {
			from = o.Period.From
		}
		if to.After(o.Period.To) {
			to = o.Period.To
		}
		for _, p := range f.Pauses {
			for _, zone := range zonesOf(f.Fleet, p) {
				for _, in := range p.Intervals(zone, from, to) {
					list = append(list, Pause{scopeText(p.Scope), in.From.UTC(), in.To.UTC(), p.Reason})
				}
			}
		}
	}
	slices.SortStableFunc(list, func(a, b Pause) int { return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Scope, b.Scope)) })
	return slices.Compact(list)
}

// zonesOf lists the zones in which a pause is read.
func zonesOf(f *fleet.Fleet, p *fleet.Pause) []*time.Location {
	var zones []*time.Location
	for _, b := range f.Beacons {
		if covers(p.Scope, b) && !slices.Contains(zones, b.Site.Zone) {
			zones = append(zones, b.Site.Zone)
		}
	}
	if p.Rule == "" && len(zones) > 1 { // the same instants everywhere
		return zones[:1]
	}
	return zones
}

// scopeText is a scope in words; empty: everything.
func scopeText(s fleet.Scope) string {
	var parts []string
	for _, part := range []struct{ what, name string }{{"site", s.Site}, {"beacon", s.Beacon}, {"band", s.Band}} {
		if part.name != "" {
			parts = append(parts, part.what+" "+part.name)
		}
	}
	return strings.Join(parts, ", ")
}
