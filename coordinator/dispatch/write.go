package dispatch

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// writing is what one round of orders comes to.
type writing struct {
	beacon string
	number lease.Number
	uses   []lease.Use
	orders store.Orders
}

// writeOrders writes the orders that the plan in force and the book allow now:
// for each beacon whose orders differ or reach further. It stores them in one
// transaction and then publishes them. wait is how long until a lease that
// something waits for is over; 0: nothing waits.
func (t *term) writeOrders(ctx context.Context) (wait time.Duration, err error) {
	t.decide.Lock()
	defer t.decide.Unlock()
	if t.plan == nil {
		return 0, nil
	}
	var round []writing
	var withheld []lease.Withheld
	var now time.Time
	err = t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) error {
		now = tx.Now
		round, withheld, err = t.decideOrders(now)
		for _, w := range round {
			if err == nil {
				err = tx.SaveOrders(ctx, w.orders)
			}
		}
		return err
	})
	if err != nil {
		return 0, err
	}
	for _, w := range round {
		t.book.Publish(w.beacon, w.number, slot.Number(w.orders.FromSlot), w.uses)
		t.reaches[w.beacon] = w.orders.ToSlot
		t.show(topic.Orders, seal.Orders, w.beacon, w.orders.Payload)
	}
	t.withheld = withheld
	t.book.Forget(now.Add(-remember))
	t.metrics.orders.Add(float64(len(round)))
	t.metrics.withheld.Set(float64(len(withheld)))
	if len(round) > 0 {
		t.log.Info("orders are written", "beacons", len(round), "withheld", len(withheld))
	}
	return t.untilFree(now), nil
}

// decideOrders says which orders are to be written.
func (t *term) decideOrders(now time.Time) (round []writing, withheld []lease.Withheld, err error) {
	length := t.fleet.Network.Slot
	from := length.At(now)
	planFrom, planTo := length.Starting(t.plan.From, t.plan.To)
	wanted := planned(t.fleet, t.plan, from)
	carry(t.fleet, t.book, from, planFrom, wanted)
	allowed, withheld := t.book.Release(wanted, now)
	for _, beacon := range t.addressees() {
		w, differs, err := t.next(beacon, allowed[beacon], from, max(from, planTo), now)
		if err != nil {
			return nil, nil, err
		}
		if differs {
			round = append(round, w)
		}
	}
	return round, withheld, nil
}

// addressees lists the beacons of the fleet, and those that it no longer has
// and that orders were written for.
func (t *term) addressees() []string {
	names := t.book.Beacons()
	for _, b := range t.fleet.Beacons {
		names = append(names, b.Name)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// next makes the next orders of a beacon, and says whether they differ from its
// latest or reach further. The first orders of a term always do: what a beacon
// holds may be of a past that the database has lost.
func (t *term) next(beacon string, uses []lease.Use, from, to slot.Number, now time.Time) (w writing, differs bool, err error) {
	length := t.fleet.Network.Slot
	b := t.fleet.Beacon(beacon)
	latest := t.book.Latest(beacon)
	standing := t.book.Standing(beacon, from, to)
	uses = pairs(length, t.book.Standing(beacon, length.At(now.Add(-remember)), from), uses)
	switch {
	case b == nil && latest.IsZero():
		return w, false, nil // it asked for a lease and never had orders
	case b == nil && len(standing) == 0:
		return w, false, nil
	case b == nil:
	case latest.Epoch == t.epoch && t.reaches[beacon] >= int64(to) && slices.Equal(standing, uses):
		return w, false, nil
	}
	w = writing{beacon: beacon, number: lease.Number{Epoch: t.epoch, Revision: 1}, uses: uses}
	if latest.Epoch == t.epoch {
		w.number.Revision = latest.Revision + 1
	}
	message := &wirev1.Orders{
		LeastReader: lease.Format, Network: t.fleet.Network.ID, Beacon: beacon,
		Epoch: w.number.Epoch, Revision: w.number.Revision, IssuedUnixMs: now.UnixMilli(),
		SlotSeconds: uint32(length), FromSlot: int64(from), ToSlot: int64(to),
	}
	var slots []store.OrderedSlot
	if b != nil {
		message.Transmissions, slots = transmissions(b, uses)
	}
	for i := range slots {
		slots[i].StartAt = length.Start(slot.Number(slots[i].Slot))
	}
	payload, err := proto.Marshal(message)
	w.orders = store.Orders{
		Beacon: beacon, Epoch: int64(w.number.Epoch), Revision: int64(w.number.Revision),
		FromSlot: int64(from), ToSlot: int64(to), Payload: payload, Slots: slots,
	}
	return w, true, err
}

// untilFree is how long until the first lease is over that something waits for;
// 0: nothing waits.
func (t *term) untilFree(now time.Time) time.Duration {
	var wait time.Duration
	for _, w := range t.withheld {
		// What is in the way in these very orders goes with another plan only.
		if left := t.book.Until(w.By).Sub(now); left > 0 && (wait == 0 || left < wait) {
			wait = max(left, time.Second)
		}
	}
	return wait
}
