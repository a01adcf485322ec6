package planner

import (
	"slices"

	"lamplighter/coordinator/plan"
)

// placed is a transmission of another plan in the numbers of this one.
type placed struct {
	id, slot int32
	hz       int64
	use      int8
}

// read translates the transmissions of a plan that lie in the horizon and whose
// beacon and band are still in the fleet, in the order of their slots. The rest
// is handed to other, if given.
func (b *board) read(p *plan.Plan, other func(t plan.Transmission, slot int)) []placed {
	if p == nil {
		return nil
	}
	list := make([]placed, 0, len(p.Transmissions))
	sorted := true
	at := -1 // the slot of the one before
	var seen guesses
	for i := range p.Transmissions {
		t := &p.Transmissions[i]
		if i == 0 || !t.Start.Equal(p.Transmissions[i-1].Start) {
			at = int(b.length.At(t.Start) - b.first)
		}
		if at < 0 || at >= b.slots {
			continue
		}
		id, u := seen.beaconIndex(b.model, t.Beacon), -1
		if id >= 0 {
			u = b.beacons[id].useNamed(t.Band)
		}
		if u < 0 {
			if other != nil {
				other(*t, at)
			}
			continue
		}
		next := placed{id: int32(id), use: int8(u), slot: int32(at), hz: roundMicro(t.FrequencyHz)}
		sorted = sorted && (len(list) == 0 || list[len(list)-1].compare(next) < 0)
		list = append(list, next)
	}
	if sorted {
		return list
	}
	slices.SortStableFunc(list, placed.compare)
	return slices.CompactFunc(list, func(a, c placed) bool { return a.compare(c) == 0 })
}

// guesses remembers which beacon was found last for names that end alike: a plan
// says each name often, and comparing it is quicker than looking it up.
type guesses [1 << 12]int32

func (g *guesses) beaconIndex(m *model, name string) int {
	end := uint32(len(name))
	for _, c := range []byte(name[max(0, len(name)-6):]) {
		end = end*31 + uint32(c)
	}
	guess := &g[end%uint32(len(g))]
	if id := int(*guess); id < m.count && m.beacons[id].name == name {
		return id
	}
	id := m.beaconIndex(name)
	if id >= 0 {
		*guess = int32(id)
	}
	return id
}

func (a placed) compare(c placed) int {
	if a.slot != c.slot {
		return int(a.slot - c.slot)
	}
	return int(a.id - c.id)
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
		b.lease[s.id] = append(b.lease[s.id], sending{slot: s.slot, use: s.use, kind: leased, hz: s.hz})
		b.put(int(s.id), int(s.slot), int(s.use), leased, s.hz)
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
func (b *board) keep(list []placed, portions []portion) {
	b.moves = len(list) / 200
	ends := make([]tail, b.count)
	for i := range ends {
		ends[i] = b.beacons[i].tail()
	}
	for i := range list {
		s := &list[i]
		id, t, u := int(s.id), int(s.slot), int(s.use)
		x, end := &b.beacons[id], &ends[id]
		if !portions[id].next() || len(b.sent[id]) >= x.demand || !b.follows(end, id, t) || b.limits(id, u, t, true) != 0 {
			continue
		}
		k := kept
		if t < b.frozen {
			k = fixed
		}
		if k == kept || b.stands(id, u, t, s.hz) {
			b.put(id, t, u, k, s.hz)
			end.add(x, t)
		}
	}
}

// follows tells whether a beacon's own rules allow a transmission after those
// that are back already.
func (b *board) follows(end *tail, id, t int) bool {
	x := &b.beacons[id]
	if x.amplifier > 0 || len(b.lease[id]) > 0 {
		return b.ownLimits(id, t) == 0
	}
	return end.allows(x, t)
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
