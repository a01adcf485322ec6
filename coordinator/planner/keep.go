package planner

import (
	"cmp"
	"slices"

	"lamplighter/coordinator/plan"
)

// placed is a transmission of another plan in the numbers of this one.
type placed struct {
	id, use, slot int
	hz            int64
}

// read translates the transmissions of a plan that lie in the horizon and whose
// beacon and band are still in the fleet, in the order of their slots. The rest
// is handed to other, if given.
func (b *board) read(p *plan.Plan, other func(t plan.Transmission, slot int)) []placed {
	if p == nil {
		return nil
	}
	list := make([]placed, 0, len(p.Transmissions))
	for _, t := range p.Transmissions {
		at := int(b.length.At(t.Start) - b.first)
		if at < 0 || at >= b.slots {
			continue
		}
		id, u := b.beaconIndex(t.Beacon), -1
		if id >= 0 {
			u = slices.IndexFunc(b.beacons[id].uses, func(w use) bool { return w.source == t.Band })
		}
		if u >= 0 {
			list = append(list, placed{id: id, use: u, slot: at, hz: roundMicro(t.FrequencyHz)})
		} else if other != nil {
			other(t, at)
		}
	}
	order := func(a, c placed) int { return cmp.Or(cmp.Compare(a.slot, c.slot), cmp.Compare(a.id, c.id)) }
	if !slices.IsSortedFunc(list, order) {
		slices.SortStableFunc(list, order)
	}
	return slices.CompactFunc(list, func(a, c placed) bool { return a.slot == c.slot && a.id == c.id })
}

// hold marks the taken slots: whoever else comes finds them occupied.
func (b *board) hold(taken *plan.Plan) {
	if taken != nil {
		for k := range b.bands {
			b.bands[k].easy = 0 // what is leased stands where it stands
		}
	}
	list := b.read(taken, func(t plan.Transmission, at int) { b.holdForeign(t, at) })
	for _, s := range list {
		b.lease[s.id] = append(b.lease[s.id], sending{slot: int32(s.slot), use: int8(s.use), kind: leased, hz: s.hz})
		b.put(s.id, s.slot, s.use, leased, s.hz)
	}
}

// holdForeign marks a taken slot whose beacon or band the fleet no longer has.
func (b *board) holdForeign(t plan.Transmission, at int) {
	k := b.bandIndex(t.Band)
	if k < 0 {
		return // nobody else can use that band
	}
	x := beacon{name: t.Beacon, site: -1}
	half := int64(3 * micro)
	if known := b.fleet.Beacon(t.Beacon); known != nil {
		x.site = int32(b.siteIndex(known.Site.Name))
		if band, ok := b.fleet.Network.Bands.Lookup(t.Band); ok {
			half += ceilMicro(known.UncertaintyHz(band))
		}
		if id := b.beaconIndex(t.Beacon); id >= 0 {
			x.resources = b.beacons[id].resources
		}
	}
	x.uses = []use{{band: int32(k), half: half, width: 2*half + b.guard()}}
	hz := roundMicro(t.FrequencyHz)
	b.beacons = append(b.beacons, x)
	b.lease = append(b.lease, []sending{{slot: int32(at), kind: leased, hz: hz}})
	b.sent = append(b.sent, nil)
	b.put(len(b.beacons)-1, at, 0, leased, hz)
}

// keep puts back what the plan in force says, as far as it is still allowed and
// still wanted, and of each beacon the portion that it may keep, evenly.
func (b *board) keep(previous *plan.Plan, portions []portion) {
	list := b.read(previous, nil)
	b.moves = len(list) / 200
	ends := make([]tail, b.count)
	for i := range ends {
		ends[i] = b.beacons[i].tail()
	}
	for _, s := range list {
		x := &b.beacons[s.id]
		if !portions[s.id].next() || len(b.sent[s.id]) >= x.demand || b.limits(s.id, s.use, s.slot, true) != 0 {
			continue
		}
		k := kept
		if s.slot < b.frozen {
			k = fixed
		}
		if b.follows(&ends[s.id], s) && (k == kept || b.stands(s.id, s.use, s.slot, s.hz)) {
			b.put(s.id, s.slot, s.use, k, s.hz)
			ends[s.id].add(x, s.slot)
		}
	}
}

// follows tells whether a beacon's own rules allow a transmission after those
// that are back already.
func (b *board) follows(end *tail, s placed) bool {
	x := &b.beacons[s.id]
	if x.amplifier > 0 || len(b.lease[s.id]) > 0 {
		return b.ownLimits(s.id, s.slot) == 0
	}
	return end.allows(x, s.slot)
}

// ownLimits asks a beacon's own use of time about slot t.
func (b *board) ownLimits(id, t int) Limit {
	without := -1
	if _, held := b.held(id, t); held {
		without = t
	}
	b.look(&b.known, id, without)
	return b.known.limits(t)
}
