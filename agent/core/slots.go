package core

import (
	"maps"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/planted"
)

// decideBefore is how long before a slot begins it is decided on: 5 s, or half
// of a short slot.
func decideBefore(l slot.Length) time.Duration { return min(5*time.Second, l.Duration()/2) }

// endedWithin is how long after a slot's end the keyer may still say how it was.
const endedWithin = 5 * time.Second

// slots is how far the ordered slots are dealt with.
type slots struct {
	accounted slot.Number         // each slot up to here has its outcome or is open
	open      map[int64]*openSlot // those that have an intent and no outcome
}

// openSlot is one that is in the keyer's hands, or about to be.
type openSlot struct {
	slot        slot.Number
	outcome     *wirev1.Outcome
	begins      time.Duration // boot time of its start, as it was known at the decision
	ends        time.Duration
	permittedAt *time.Duration // nil: the intent is not yet on the disk
	keyed       bool
}

// ended is how a slot ended.
type ended struct {
	kind             wirev1.OutcomeKind
	reason           string
	keyedAt, unkeyed *int64
	symbols          uint32
}

func (s *slots) inOrder() []*openSlot {
	if len(s.open) == 0 {
		return nil
	}
	keys := slices.Sorted(maps.Keys(s.open))
	list := make([]*openSlot, len(keys))
	for i, key := range keys {
		list[i] = s.open[key]
	}
	return list
}

// next is the first ordered slot that is not accounted for, nil if there is none.
func (c *Core) next() *wirev1.Transmission {
	list := c.orders.held.GetTransmissions()
	i, _ := slices.BinarySearchFunc(list, int64(c.slots.accounted)+1, func(t *wirev1.Transmission, n int64) int {
		switch {
		case t.GetSlot() < n:
			return -1
		case t.GetSlot() > n:
			return 1
		}
		return 0
	})
	if i == len(list) {
		return nil
	}
	return list[i]
}

// decideSlots decides on each ordered slot shortly before it begins.
func (c *Core) decideSlots() {
	if c.stopping != nil {
		return
	}
	t, known := c.time()
	if !known {
		return
	}
	c.skipBegun(t)
	length := slot.Length(c.orders.held.GetSlotSeconds())
	for tx := c.next(); tx != nil; tx = c.next() {
		n := slot.Number(tx.GetSlot())
		begins := c.bootAt(t, length.Start(n))
		if !c.due(begins - decideBefore(length)) {
			return
		}
		if w := c.orders.waiting; w != nil && (w.offeredAt != nil || w.accepted) {
			c.wakeAt(begins) // they may say otherwise at any moment
			return
		}
		if reason := c.whyNot(tx); reason != None {
			c.skip(tx, reason)
			continue
		}
		c.intend(tx, begins, begins+length.Duration())
	}
}

// skipBegun accounts for ordered slots that began without a decision.
func (c *Core) skipBegun(t time.Time) {
	length := slot.Length(c.orders.held.GetSlotSeconds())
	for tx := c.next(); tx != nil; tx = c.next() {
		begins := length.Start(slot.Number(tx.GetSlot()))
		if begins.After(t) {
			return
		}
		c.skip(tx, c.missed(tx, c.bootAt(t, begins)))
	}
}

// decided says whether the latest slot that is accounted for was decided on, by
// this run or an earlier one, and has still to begin.
func (c *Core) decided(t time.Time) bool {
	if c.orders.held == nil {
		return false
	}
	length := slot.Length(c.orders.held.GetSlotSeconds())
	begins := length.Start(c.slots.accounted)
	if begins.Sub(t) > decideBefore(length) { // nobody decides that early: the clock was put back
		return false
	}
	return !c.due(c.bootAt(t, begins))
}

// missed is why a slot began without a decision.
func (c *Core) missed(tx *wirev1.Transmission, begins time.Duration) Reason {
	if begins <= c.started {
		return Off
	}
	if c.clock.unsureAt != nil && begins <= *c.clock.unsureAt {
		return ClockUnsure
	}
	if reason := c.whyNot(tx); reason != None {
		return reason
	}
	return Late
}

// whyNot is the first reason against transmitting. Without a transmission it
// judges as far as can be judged.
func (c *Core) whyNot(tx *wirev1.Transmission) Reason {
	bound, clockKnown := c.bound()
	switch {
	case c.stopping != nil:
		return Stopped
	case !c.keyerAnswers():
		return KeyerGone
	case c.keyer.status.GetTripped() != "":
		return KeyerTripped
	case c.orders.newer != Newer{}:
		return UpdateNeeded
	case c.hush.held != nil && covers(c.hush.held, tx.GetBand()):
		return Hushed
	case c.journal.failing:
		return DiskFull
	case (!clockKnown || bound > maxBound) && !planted.Is("S3 a clock that nobody knows"):
		return ClockUnsure
	case !c.frequencySure(tx):
		return FrequencyUnsure
	case c.orders.held == nil:
		return NoOrders
	case tx == nil && c.ordersEnded():
		return OrdersEnded
	case tx != nil && c.leaseLeft(tx.GetControl()) < c.leaseNeeded(tx):
		return NoLease
	case tx == nil && c.longestLease() <= 0:
		return NoLease
	}
	return None
}

// frequencySure compares the present uncertainty with what the plan allowed
// for. Both were rounded to whole millihertz, so one of them does not count.
func (c *Core) frequencySure(tx *wirev1.Transmission) bool {
	ppb, known := c.frequencyPPB()
	if !known {
		return false
	}
	uncertain := math.Floor(ppb * 1e-9 * float64(tx.GetFrequencyMillihertz()))
	return tx == nil || planted.Is("S4 any frequency") || uncertain <= float64(tx.GetUncertaintyMillihertz())+1
}

// leaseNeeded is how much of a lease a whole transmission takes from now on.
func (c *Core) leaseNeeded(tx *wirev1.Transmission) time.Duration {
	t, _ := c.time()
	length := slot.Length(c.orders.held.GetSlotSeconds())
	begins := length.Start(slot.Number(tx.GetSlot())).Sub(t)
	if begins > decideBefore(length) { // it will be renewed until then
		begins = 0
	}
	if planted.Is("S2 no margin") {
		return begins
	}
	return begins + length.Timing().End() + leaseMargin
}

// skip writes down that an ordered slot is not used.
func (c *Core) skip(tx *wirev1.Transmission, reason Reason) {
	c.slots.accounted = slot.Number(tx.GetSlot())
	c.outcome(&wirev1.Outcome{Orders: number(c.orders.held), Transmission: tx}, ended{
		kind: wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED, reason: string(reason),
	})
}

// intend writes down that a slot is about to be used. The permit follows when
// that is on the disk.
func (c *Core) intend(tx *wirev1.Transmission, begins, ends time.Duration) {
	n := slot.Number(tx.GetSlot())
	open := &openSlot{
		slot: n, begins: begins, ends: ends,
		outcome: &wirev1.Outcome{Orders: number(c.orders.held), Transmission: tx},
	}
	c.slots.accounted = n
	c.slots.open[int64(n)] = open
	c.journal.open = append(c.journal.open, Intent{Slot: n, Outcome: proto.CloneOf(open.outcome)})
}

// permit puts a slot into the keyer's hands, now that its intent is written.
func (c *Core) permit(n slot.Number) {
	open := c.slots.open[int64(n)]
	if open == nil {
		return
	}
	if reason := c.spoiled(open); reason != None {
		c.finish(n, ended{kind: wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED, reason: string(reason)})
		return
	}
	at, us := c.now.Boot, c.trueTime().UnixMicro()
	open.permittedAt, open.outcome.PermittedUnixUs = &at, &us
	c.do(ToKeyer{&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Permit{Permit: &keyerv1.Permit{
		Orders: open.outcome.GetOrders(), Slot: int64(n),
	}}}})
}

// spoiled is what happened to a slot while its intent was being written.
func (c *Core) spoiled(open *openSlot) Reason {
	switch {
	case c.stopping != nil:
		return Stopped
	case c.keyer.status == nil:
		return KeyerGone
	case c.now.Boot >= open.begins:
		return Late
	}
	return None
}

// trueTime is the best guess of it: to be told, and not to decide by.
func (c *Core) trueTime() time.Time {
	t, _ := c.time()
	return t
}

func (c *Core) keyed(k *keyerv1.Keyed) {
	open := c.slots.open[k.GetSlot()]
	if open == nil || open.permittedAt == nil {
		return
	}
	open.keyed = true
	us := k.GetKeyedUnixUs()
	open.outcome.KeyedUnixUs = &us
	if bound, known := c.bound(); known {
		ns := bound.Nanoseconds()
		open.outcome.ClockErrorBoundNs = &ns
	}
}

func (c *Core) keyerEnded(e *keyerv1.Ended) {
	open := c.slots.open[e.GetSlot()]
	if open == nil || open.permittedAt == nil || compareOrders(e.GetOrders(), open.outcome.GetOrders()) != 0 {
		return
	}
	kind := e.GetKind()
	if _, named := wirev1.OutcomeKind_name[int32(kind)]; !named || kind == wirev1.OutcomeKind_OUTCOME_KIND_UNSPECIFIED {
		kind = wirev1.OutcomeKind_OUTCOME_KIND_ABORTED
	}
	c.finish(open.slot, ended{
		kind: kind, reason: cut(e.GetReason(), 40),
		keyedAt: e.KeyedUnixUs, unkeyed: e.UnkeyedUnixUs, symbols: e.GetSymbols(),
	})
}

// closeSilentSlots ends slots whose end the keyer does not tell.
func (c *Core) closeSilentSlots() {
	for _, open := range c.slots.inOrder() {
		if open.permittedAt != nil && c.due(open.ends+endedWithin) {
			c.finish(open.slot, ended{kind: wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, reason: string(KeyerSilent)})
		}
	}
}

// finish gives an open slot its one outcome.
func (c *Core) finish(n slot.Number, e ended) {
	open := c.slots.open[int64(n)]
	if open == nil {
		return
	}
	delete(c.slots.open, int64(n))
	c.journal.close = append(c.journal.close, n)
	c.outcome(open.outcome, e)
}

// outcome records how a slot ended and counts it.
func (c *Core) outcome(o *wirev1.Outcome, e ended) {
	o.Kind, o.Reason, o.Symbols = e.kind, e.reason, e.symbols
	if e.keyedAt != nil {
		o.KeyedUnixUs = e.keyedAt
	}
	o.UnkeyedUnixUs = e.unkeyed
	c.record(&wirev1.Record{Body: &wirev1.Record_Outcome{Outcome: o}})
	c.count(o)
}
