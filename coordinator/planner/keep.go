package planner

import (
	"slices"

	"lamplighter/coordinator/plan"
)

// hold marks the taken slots: whoever else comes finds them occupied.
func (b *board) hold(taken *plan.Plan) {
	if taken == nil {
		return
	}
	for k := range b.bands {
		b.bands[k].easy = 0 // what is leased stands where it stands
	}
	for id, list := range b.read(taken, func(t plan.Transmission, at int) { b.holdForeign(t, at) }) {
		for _, s := range list {
			b.lease[id] = append(b.lease[id], sending{slot: s.slot, use: s.use, kind: leased, hz: s.hz})
			b.put(id, int(s.slot), int(s.use), leased, s.hz)
		}
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
func (b *board) keep(previous *plan.Plan, pools []pool, fair []int) {
	before := b.read(previous, nil)
	portions := b.portions(previous, before, pools, fair)
	for _, list := range before {
		b.moves += len(list)
	}
	b.moves /= 100
	k := newKeeper(b, before, slices.Clone(portions))
	k.inOrder(b.standing())
	if !k.together() {
		b.sweep(fixed)
		newKeeper(b, b.read(previous, nil), portions).inOrder(b.slots)
	}
}

// standing is the slot from which on every signal can be moved.
func (b *board) standing() int {
	t := b.frozen
	for _, list := range b.lease {
		if len(list) > 0 {
			t = max(t, int(list[len(list)-1].slot)+1)
		}
	}
	return t
}

// keeper is at work on keeping.
type keeper struct {
	*board
	before   [][]sending // what is left of the plan in force, by beacon
	portions []portion
	ends     []tail
}

// newKeeper begins; what is kept takes the place of what was read, in its memory.
func newKeeper(b *board, before [][]sending, portions []portion) *keeper {
	k := &keeper{board: b, before: before, portions: portions, ends: make([]tail, b.count)}
	for id := range before {
		k.sent[id] = before[id][:0]
		k.ends[id] = b.beacons[id].tail()
	}
	return k
}

// inOrder goes on to slot end, slot by slot: where two can't both stay, the first
// one does.
func (k *keeper) inOrder(end int) {
	at := make([][]int32, end)
	for id, list := range k.before {
		for _, s := range list {
			if int(s.slot) >= end {
				break
			}
			at[s.slot] = append(at[s.slot], int32(id))
		}
	}
	for t, ids := range at {
		for _, id := range ids {
			id, s := int(id), k.before[id][0]
			k.before[id] = k.before[id][1:]
			u := int(s.use)
			switch {
			case !k.stays(id, t):
			case t >= k.frozen && k.limits(id, u, t, true) == 0:
				k.put(id, t, u, kept, k.beacons[id].uses[u].inside(s.hz))
				k.ends[id].add(&k.beacons[id], t)
			case t < k.frozen && k.stands(id, u, t, s.hz) && k.limitsOfStanding(id, u, t) == 0:
				k.put(id, t, u, fixed, s.hz)
				k.ends[id].add(&k.beacons[id], t)
			}
		}
	}
}

// together does the same for all that is left, beacon by beacon, and asks of every
// cell as a whole whether all have room in it, which is quicker. It returns false
// if they don't.
func (k *keeper) together() bool {
	for id, list := range k.before {
		x := &k.beacons[id]
		for _, s := range list {
			t, way := int(s.slot), &x.uses[s.use]
			if !k.stays(id, t) || !way.opens(t) {
				continue
			}
			if k.limitsOfSite(x, t, way.band) != 0 {
				return false
			}
			s.kind, s.hz = kept, way.inside(s.hz)
			k.enter(x, id, t, int(s.use), kept)
			k.sent[id] = append(k.sent[id], s)
			k.ends[id].add(x, t)
		}
	}
	met := make([]int, len(k.sites))
	for i := k.standing() * len(k.bands); i < len(k.cells); i++ {
		if !k.haveRoom(i, met) {
			return false
		}
	}
	return true
}

// haveRoom tells whether all signals of cell i can be in it. met has, by site, the
// last cell so asked that a signal of the site was in, and one.
func (k *keeper) haveRoom(i int, met []int) bool {
	t, band, cell := i/len(k.bands), &k.bands[i%len(k.bands)], k.cells[i]
	if len(cell) > band.capacity {
		return false
	}
	for j, g := range cell {
		if j >= band.easy && (j >= band.holds || !k.roomFor(&k.beacons[g.beacon].uses[g.use], t, cell[:j])) || met[g.site] == i+1 {
			return false
		}
		for _, s := range band.around(g.site) {
			if met[s] == i+1 {
				return false
			}
		}
		met[g.site] = i + 1
	}
	return true
}

// stays tells whether a beacon's own demand, portion and rules let it keep slot t,
// after what it has kept already.
func (k *keeper) stays(id, t int) bool {
	return k.portions[id].next() && len(k.sent[id]) < k.beacons[id].demand && k.follows(&k.ends[id], id, t)
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
