package planner

import (
	"slices"
	"strings"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/planted"
)

// addBeacons brings the beacons of the fleet into the order of their names,
// with their openings, demands and what they have transmitted before.
func (m *model) addBeacons(in Input) {
	past := m.first
	if in.History != nil {
		past, _ = m.length.Starting(in.History.From, in.History.From)
		past = min(past, m.first)
	}
	openings := m.fleet.Openings(past, m.first+slot.Number(m.slots))
	order := make([]int, len(m.fleet.Beacons))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return byName(m.fleet.Beacons[a], m.fleet.Beacons[b]) })
	m.beacons = make([]beacon, len(order))
	m.count = len(order)
	m.number = make(map[string]int, len(order))
	m.useAt = slices.Repeat([]int8{-1}, len(order)*len(m.bands))
	for i, original := range order {
		source := m.fleet.Beacons[original]
		b := &m.beacons[i]
		m.number[source.Name] = i
		*b = beacon{
			name: source.Name, source: source, site: int32(m.siteIndex(source.Site.Name)),
			rest: source.Rest, amplifier: source.MaxIn30Min, pairs: source.Pairs(), hash: hashName(source.Name),
		}
		b.num, b.den = source.Share.NumDen()
		b.priority = max(1, source.Priority.MulFloor(micro))
		m.addUses(b, original, openings)
		for u := range b.uses {
			m.useAt[i*len(m.bands)+int(b.uses[u].band)] = int8(u)
		}
		before := openings.OpenSlotsIn(original, past, m.first)
		open := openings.OpenSlotsIn(original, m.first, m.first+slot.Number(m.slots))
		b.demand = int(plan.DemandSince(source, before, open))
		b.whole = int(plan.Demand(source, before+open))
	}
	m.addHistory(in.History, past)
}

// addUses takes over the bands that a beacon can use at all, by name.
func (m *model) addUses(b *beacon, original int, openings *fleet.Openings) {
	guard := m.guard()
	any := newBitset(m.slots)
	b.uses = make([]use, 0, len(b.source.Bands))
	for j, u := range b.source.Bands {
		ranges, why := m.fleet.FitsBand(b.source, u)
		if why != "" {
			b.unusable = append(b.unusable, plan.Shortfall{Beacon: b.name, Band: u.Band.Name, Reason: string(why)})
			continue
		}
		k := m.bandIndex(u.Band.Name)
		half := 3*micro + ceilMicro(b.source.UncertaintyHz(u.Band))
		way := use{
			band: int32(k), weight: u.Weight.MulFloor(micro), half: half, width: 2*half + guard,
			open: openings.OpenBits(original, j, m.first), source: u.Band.Name,
		}
		for _, r := range ranges {
			way.ranges = append(way.ranges, [2]int64{ceilMicro(r.LowHz), floorMicro(r.HighHz)})
		}
		band := &m.bands[k]
		way.narrow = len(way.ranges) != 1 || way.ranges[0][0] > band.low+half+1 || way.ranges[0][1] < band.high-half-1
		if planted.Is("S10 pauses are not planned around") {
			for t := range m.slots {
				way.open[t>>6] |= 1 << (t & 63)
			}
		}
		way.always = way.open.count() == m.slots
		any.or(way.open)
		b.uses = append(b.uses, way)
	}
	slices.SortFunc(b.uses, func(a, c use) int { return strings.Compare(a.source, c.source) })
	slices.SortFunc(b.unusable, func(a, c plan.Shortfall) int { return strings.Compare(a.Band, c.Band) })
	b.any = rank(any, m.slots)
}

// addHistory hands each beacon its own transmissions before the plan.
func (m *model) addHistory(history *plan.Plan, past slot.Number) {
	if history == nil {
		return
	}
	midnight, _ := m.length.Day(m.first)
	for _, t := range history.Transmissions {
		n := m.length.At(t.Start)
		i := m.beaconIndex(t.Beacon)
		if i < 0 || n >= m.first {
			continue
		}
		b := &m.beacons[i]
		b.history = append(b.history, int32(n-m.first))
		b.lastFull = lastMessage{full: t.Message != plan.Extended, band: int32(m.bandIndex(t.Band)), slot: int(n - m.first)}
		if u := b.useOf(int32(m.bandIndex(t.Band))); u >= 0 {
			b.visited = append(b.visited, sending{slot: int32(n - m.first), use: int8(u)})
		}
		if n >= past {
			b.past++
		}
		if n >= midnight {
			m.today = append(m.today, today{site: b.site, band: int32(m.bandIndex(t.Band)), slot: int(n - m.first)})
		}
	}
	for i := range m.beacons {
		b := &m.beacons[i]
		slices.Sort(b.history)
		b.history = slices.Compact(b.history)
	}
}

func (m *model) beaconIndex(name string) int {
	if i, ok := m.number[name]; ok {
		return i
	}
	return -1
}

func (b *beacon) useOf(band int32) int {
	return slices.IndexFunc(b.uses, func(u use) bool { return u.band == band })
}
