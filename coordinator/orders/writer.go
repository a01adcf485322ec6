package orders

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/plan"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// Remember is how long past slots count for pairs.
const Remember = 10 * time.Minute

// Writer decides on orders in one leader's epoch. It is not safe for concurrent
// use.
type Writer struct {
	Epoch uint64
	Fleet *fleet.Fleet
	Book  *lease.Book
	Plan  *plan.Plan // in force; nil: none yet

	reaches map[string]slot.Number   // the end of each beacon's latest orders of this epoch
	said    map[string]*fleet.Beacon // what they were written for; nil: for one that the fleet no longer has
	stuck   map[string]lease.Number  // the latest orders that each beacon was stuck with
}

// NewWriter makes a Writer whose book is empty.
func NewWriter(epoch uint64, f *fleet.Fleet) *Writer {
	return &Writer{
		Epoch: epoch, Fleet: f, Book: lease.NewBook(f),
		reaches: map[string]slot.Number{}, said: map[string]*fleet.Beacon{}, stuck: map[string]lease.Number{},
	}
}

// SetFleet says which fleet is in force.
func (w *Writer) SetFleet(f *fleet.Fleet) {
	w.Fleet = f
	w.Book.SetFleet(f)
}

// Orders are the next ones of a beacon.
type Orders struct {
	Beacon   string
	Number   lease.Number
	From, To slot.Number
	Uses     []lease.Use
	Slots    []Slot
	Payload  []byte // the message, to be sealed

	of *fleet.Beacon
}

// Decide says which orders the plan and the book allow now: for each beacon
// whose orders differ or reach further. withheld is what the plan wants and
// nobody may have yet.
func (w *Writer) Decide(now time.Time) (round []Orders, withheld []lease.Withheld, err error) {
	length := w.Fleet.Network.Slot
	from := length.At(now)
	planFrom, planTo := length.Starting(w.Plan.From, w.Plan.To)
	wanted := planned(w.Fleet, w.Plan, from)
	carry(w.Fleet, w.Book, from, planFrom, wanted)
	allowed, withheld := w.Book.Release(wanted, now)
	for _, beacon := range w.addressees() {
		o, differs, err := w.next(beacon, allowed[beacon], from, max(from, planTo), now)
		if err != nil {
			return nil, nil, err
		}
		if differs {
			round = append(round, o)
		}
	}
	return round, withheld, nil
}

// Stored notes that orders are in the database: they may be published now.
func (w *Writer) Stored(round []Orders, now time.Time) {
	for _, o := range round {
		w.Book.Publish(o.Beacon, o.Number, o.From, o.Uses)
		w.reaches[o.Beacon], w.said[o.Beacon] = o.To, o.of
	}
	w.Book.Forget(now.Add(-Remember))
}

// addressees lists the beacons of the fleet, and those that it no longer has
// and that orders were written for.
func (w *Writer) addressees() []string {
	names := w.Book.Beacons()
	for _, b := range w.Fleet.Beacons {
		names = append(names, b.Name)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// next makes the next orders of a beacon, and says whether they differ from its
// latest or reach further. The first orders of an epoch always do: what a beacon
// holds may be of a past that the database has lost.
func (w *Writer) next(beacon string, uses []lease.Use, from, to slot.Number, now time.Time) (o Orders, differs bool, err error) {
	length := w.Fleet.Network.Slot
	b := w.Fleet.Beacon(beacon)
	latest := w.Book.Latest(beacon)
	standing := w.Book.Standing(beacon, from, to)
	uses = pairs(length, w.Book.Standing(beacon, length.At(now.Add(-Remember)), from), uses)
	switch {
	case b == nil && latest.IsZero():
		return o, false, nil // it asked for a lease and never had orders
	case b == nil && len(standing) == 0:
		return o, false, nil
	case b == nil:
	case latest.Epoch == w.Epoch && w.reaches[beacon] >= to && slices.Equal(standing, uses) && w.says(b, uses):
		return o, false, nil
	}
	o = Orders{Beacon: beacon, Number: lease.Number{Epoch: w.Epoch, Revision: 1}, From: from, To: to, Uses: uses, of: b}
	if latest.Epoch == w.Epoch {
		o.Number.Revision = latest.Revision + 1
	}
	message := &wirev1.Orders{
		LeastReader: lease.Format, Network: w.Fleet.Network.ID, Beacon: beacon,
		Epoch: o.Number.Epoch, Revision: o.Number.Revision, IssuedUnixMs: now.UnixMilli(),
		SlotSeconds: uint32(length), FromSlot: int64(from), ToSlot: int64(to),
	}
	if b != nil {
		message.Transmissions, o.Slots = transmissions(length, b, uses)
	}
	o.Payload, err = proto.Marshal(message)
	return o, true, err
}

// says tells whether the latest orders of a beacon say of these uses what they
// would say now: another power, call sign, locator, drive or control has to reach
// it too, though no slot moves.
func (w *Writer) says(b *fleet.Beacon, uses []lease.Use) bool {
	said := w.said[b.Name]
	if said == b {
		return true
	}
	if said == nil {
		return false
	}
	then, _ := transmissions(w.Fleet.Network.Slot, said, uses)
	now, _ := transmissions(w.Fleet.Network.Slot, b, uses)
	same := func(x, y *wirev1.Transmission) bool { return proto.Equal(x, y) }
	if !slices.EqualFunc(then, now, same) {
		return false
	}
	w.said[b.Name] = b
	return true
}

// UntilFree is how long until the first lease is over that something withheld
// waits for; 0: nothing waits.
func (w *Writer) UntilFree(withheld []lease.Withheld, now time.Time) time.Duration {
	var wait time.Duration
	for _, h := range withheld {
		// What is in the way in these very orders goes with another plan only.
		if left := w.Book.Until(h.By).Sub(now); left > 0 && (wait == 0 || left < wait) {
			wait = max(left, time.Second)
		}
	}
	return wait
}
