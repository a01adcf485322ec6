package lease

import (
	"maps"
	"slices"
	"time"

	"lamplighter/proto/onair/slot"
	"lamplighter/proto/planted"
)

// Withheld is a use that can't be published yet.
type Withheld struct {
	Beacon string
	Use    Use
	Obstacle
}

// Release says which of the uses that are wanted of each beacon may be published
// now, by slot, and which must wait. What stands in a beacon's latest orders
// already goes before what is new.
func (b *Book) Release(wanted map[string][]Use, now time.Time) (allowed map[string][]Use, withheld []Withheld) {
	round := &round{book: b, now: now, slots: map[slot.Number]*company{}, allowed: map[string][]Use{}}
	beacons := slices.Sorted(maps.Keys(wanted))
	for _, standing := range []bool{true, false} {
		for _, beacon := range beacons {
			round.take(beacon, wanted[beacon], standing)
		}
	}
	for _, uses := range round.allowed {
		slices.SortFunc(uses, func(x, y Use) int { return int(x.Slot - y.Slot) })
	}
	return round.allowed, round.withheld
}

// round is one run of Release.
type round struct {
	book     *Book
	now      time.Time
	slots    map[slot.Number]*company // what may be obeyed already, and what was allowed in this round
	allowed  map[string][]Use
	withheld []Withheld
}

func (r *round) take(beacon string, uses []Use, standing bool) {
	me := r.book.fleet.Beacon(beacon)
	if me == nil {
		return
	}
	for _, use := range uses {
		if r.book.stands(beacon, use) != standing {
			continue
		}
		in := r.company(use.Slot)
		if obstacle := in.clash(r.book.fleet, me, use); !obstacle.none() {
			r.withheld = append(r.withheld, Withheld{beacon, use, obstacle})
			continue
		}
		in.add(occupant{beacon, me, use})
		r.allowed[beacon] = append(r.allowed[beacon], use)
	}
}

func (r *round) company(n slot.Number) *company {
	c := r.slots[n]
	if c == nil {
		c = newCompany(r.book.occupants(nil, n, r.now))
		if planted.Is("S8 slots change hands at once") {
			c = newCompany(nil)
		}
		r.slots[n] = c
	}
	return c
}

// stands says whether a use stands in the latest orders of a beacon.
func (b *Book) stands(beacon string, use Use) bool {
	return slices.ContainsFunc(b.look(beacon).claims[use.Slot], func(c *claim) bool {
		return c.closed.IsZero() && c.use == use
	})
}

// occupants adds to a list what beacons may obey in a slot.
func (b *Book) occupants(all []occupant, n slot.Number, now time.Time) []occupant {
	all = slices.Grow(all, len(b.slots[n]))
	for _, c := range b.slots[n] {
		if b.obeyable(c, now) {
			all = append(all, occupant{c.by.name, b.fleet.Beacon(c.by.name), c.use})
		}
	}
	return all
}

// Reach says until when a beacon that holds given orders may obey all that it
// may hold, at most until a given time: before the first use that would harm
// what another may obey. The obstacle is none where nothing is in the way.
func (b *Book) Reach(beacon string, held Number, now, until time.Time) (time.Time, Obstacle) {
	me := b.fleet.Beacon(beacon)
	if me == nil {
		return now, Obstacle{GoneBeacon, beacon}
	}
	if planted.Is("S8 leases look at nobody") {
		return until, Obstacle{}
	}
	length, claims := b.length(), b.look(beacon).claims
	var others []occupant // of one slot after another
	for n := length.At(now); length.Start(n).Before(until); n++ {
		for _, c := range claims[n] {
			if !c.standsFor(held) {
				continue
			}
			others = b.occupants(others[:0], n, now)
			if obstacle := clash(b.fleet, me, c.use, others); !obstacle.none() {
				return length.Start(n), obstacle
			}
		}
	}
	return until, Obstacle{}
}
