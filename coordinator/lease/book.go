package lease

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/planted"
)

// Skew is how much later than granted a lease may end in true time: 100 parts
// per million of the longest, rounded up.
const Skew = 10 * time.Second

// Use is one transmission as it stands in orders.
type Use struct {
	Slot                  slot.Number
	Band                  string
	FrequencyMillihertz   int64
	UncertaintyMillihertz int64
	Extended              bool // the second message of a pair
}

// Book is what the coordinator knows of orders and leases.
type Book struct {
	fleet   *fleet.Fleet
	beacons map[string]*holding
	slots   map[slot.Number][]*claim
}

// holding is what is known of one beacon.
type holding struct {
	name         string
	held, latest Number
	until        time.Time // the end of the latest lease, Skew included; zero: none
	former       Former
	claims       map[slot.Number][]*claim
}

// Former is what a kernel that held a beacon's identity before may still obey, if
// it is a device of its own: orders from Held on, until its lease is over, Skew
// included. The zero value: nothing.
type Former struct {
	Held  Number
	Until time.Time
}

// claim is a use that stands in the orders of a beacon from opened up to, not
// including, closed.
type claim struct {
	by             *holding
	use            Use
	opened, closed Number // closed is zero: it stands in the latest
}

// NewBook makes an empty book.
func NewBook(f *fleet.Fleet) *Book {
	return &Book{fleet: f, beacons: map[string]*holding{}, slots: map[slot.Number][]*claim{}}
}

// SetFleet says which fleet is in force.
func (b *Book) SetFleet(f *fleet.Fleet) { b.fleet = f }

func (b *Book) holding(beacon string) *holding {
	h := b.beacons[beacon]
	if h == nil {
		h = &holding{name: beacon, claims: map[slot.Number][]*claim{}}
		b.beacons[beacon] = h
	}
	return h
}

// look is what is known of a beacon; where that is nothing, nothing is noted.
func (b *Book) look(beacon string) holding {
	if h := b.beacons[beacon]; h != nil {
		return *h
	}
	return holding{}
}

// Beacons lists those of which something is known, sorted.
func (b *Book) Beacons() []string { return slices.Sorted(maps.Keys(b.beacons)) }

// Latest is the number of the latest orders published to a beacon.
func (b *Book) Latest(beacon string) Number { return b.look(beacon).latest }

// Held is the number of the orders that a beacon last said to hold.
func (b *Book) Held(beacon string) Number { return b.look(beacon).held }

// Until is the time from which a beacon obeys nothing by the leases that it
// has; zero: it never had one.
func (b *Book) Until(beacon string) time.Time { return b.look(beacon).until }

// Load notes a use that was published before this book was begun; closed is
// zero where it stands in the latest orders.
func (b *Book) Load(beacon string, use Use, opened, closed Number) {
	b.add(&claim{by: b.holding(beacon), use: use, opened: opened, closed: closed})
}

func (b *Book) add(c *claim) {
	n := c.use.Slot
	b.slots[n] = append(b.slots[n], c)
	c.by.claims[n] = append(c.by.claims[n], c)
}

// LoadLatest notes the number of the latest orders that were published before
// this book was begun.
func (b *Book) LoadLatest(beacon string, latest Number) { b.holding(beacon).latest = latest }

// Publish notes the next orders of a beacon, which speak of all slots from a
// number on.
func (b *Book) Publish(beacon string, number Number, from slot.Number, uses []Use) {
	h := b.holding(beacon)
	h.latest = number
	stays := map[Use]bool{}
	for _, use := range uses {
		stays[use] = true
	}
	for n, claims := range h.claims {
		if n < from {
			continue
		}
		for _, c := range claims {
			if !c.closed.IsZero() {
				continue
			}
			if !stays[c.use] {
				c.closed = number
			}
			delete(stays, c.use)
		}
	}
	for use := range stays {
		b.add(&claim{by: h, use: use, opened: number})
	}
}

// Hold notes which orders a beacon says to hold, and whether that is news.
func (b *Book) Hold(beacon string, held Number) (news bool) {
	h := b.holding(beacon)
	news = h.held != held
	if planted.Is("S8 orders count as held when published") {
		held = h.latest
	}
	h.held = held
	return news
}

// Extend notes a lease that was granted. The end of a lease never moves back.
func (b *Book) Extend(beacon string, until time.Time) {
	h := b.holding(beacon)
	if until = until.Add(Skew); until.After(h.until) {
		h.until = until
	}
}

// Follow notes what a former kernel may still obey.
func (b *Book) Follow(beacon string, former Former) { b.holding(beacon).former = former }

// Forget drops what nobody can obey any more: slots that are over.
func (b *Book) Forget(now time.Time) {
	present := b.length().At(now)
	for n := range b.slots {
		if n < present {
			delete(b.slots, n)
		}
	}
	for _, h := range b.beacons {
		for n := range h.claims {
			if n < present {
				delete(h.claims, n)
			}
		}
	}
}

func (b *Book) length() slot.Length { return b.fleet.Network.Slot }

// standsFor says whether a claim stands in orders that a beacon may hold, if
// held are the oldest of these.
func (c *claim) standsFor(held Number) bool { return c.closed.IsZero() || c.closed.Compare(held) > 0 }

// obeyable says whether a claim may be obeyed at now or later by the leases
// granted until now.
func (b *Book) obeyable(c *claim, now time.Time) bool {
	begins := b.length().Start(c.use.Slot)
	return b.length().End(c.use.Slot).After(now) &&
		(c.standsFor(c.by.held) && begins.Before(c.by.until) || c.by.former.obeys(c, begins))
}

func (f Former) obeys(c *claim, begins time.Time) bool {
	return begins.Before(f.Until) && c.standsFor(f.Held)
}

// Standing gives the uses of the latest orders of a beacon from a slot on, up
// to and not including another, by slot.
func (b *Book) Standing(beacon string, from, to slot.Number) []Use {
	var uses []Use
	claims := b.look(beacon).claims
	for n := from; n < to; n++ {
		for _, c := range claims[n] {
			if c.closed.IsZero() {
				uses = append(uses, c.use)
			}
		}
	}
	return uses
}

// Taken is what the planner must plan around: all that a beacon may still obey
// that has not confirmed its latest orders, and what only a former kernel may.
// Others will do what they are told within seconds, and Release waits for these.
func (b *Book) Taken(now time.Time) *plan.Plan {
	length := b.length()
	taken := &plan.Plan{Network: b.fleet.Network.Name, From: now.UTC(), To: now.UTC(), SlotSeconds: int64(length), Transmissions: []plan.Transmission{}}
	for _, claims := range b.slots {
		for _, c := range claims {
			confirmed := c.by.held == c.by.latest && (c.closed.IsZero() || !c.by.former.obeys(c, length.Start(c.use.Slot)))
			if confirmed || !b.obeyable(c, now) {
				continue
			}
			taken.Transmissions = append(taken.Transmissions, c.transmission(length))
			if end := length.End(c.use.Slot); end.After(taken.To) {
				taken.To = end
			}
		}
	}
	slices.SortFunc(taken.Transmissions, func(x, y plan.Transmission) int {
		return cmp.Or(x.Start.Compare(y.Start), cmp.Compare(x.Beacon, y.Beacon), cmp.Compare(x.Band, y.Band),
			cmp.Compare(x.FrequencyHz, y.FrequencyHz), cmp.Compare(x.Message, y.Message))
	})
	taken.Transmissions = slices.Compact(taken.Transmissions)
	return taken
}

func (c *claim) transmission(length slot.Length) plan.Transmission {
	t := plan.Transmission{
		Start: length.Start(c.use.Slot), Beacon: c.by.name, Band: c.use.Band,
		FrequencyHz: float64(c.use.FrequencyMillihertz) / 1000, Message: plan.Full,
	}
	if c.use.Extended {
		t.Message = plan.Extended
	}
	return t
}
