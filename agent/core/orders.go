package core

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
)

const (
	maxTransmissions = 10_000
	offerAgain       = 5 * time.Second
	maxSlot          = 1 << 40 // far beyond any date, far from overflow
)

// orders are those in force, and newer ones on their way to be.
type orders struct {
	held    *wirev1.Orders // nil: none
	onDisk  *wirev1.OrdersNumber
	waiting *candidate // nil: none
	newer   Newer
}

// candidate is a set of new orders that the keyer is still to accept.
type candidate struct {
	sealed    []byte
	digest    []byte
	orders    *wirev1.Orders
	offeredAt *time.Duration // nil: not yet
	accepted  bool
}

func newCandidate(sealed []byte, o *wirev1.Orders) *candidate {
	sum := sha256.Sum256(sealed)
	return &candidate{sealed: sealed, digest: sum[:], orders: o}
}

func number(o *wirev1.Orders) *wirev1.OrdersNumber {
	if o == nil {
		return &wirev1.OrdersNumber{}
	}
	return &wirev1.OrdersNumber{Epoch: o.GetEpoch(), Revision: o.GetRevision()}
}

// compareOrders compares by epoch, then revision; nil is the lowest.
func compareOrders(a, b *wirev1.OrdersNumber) int {
	return comparePairs(a.GetEpoch(), a.GetRevision(), b.GetEpoch(), b.GetRevision())
}

func comparePairs(a1, a2, b1, b2 uint64) int {
	switch {
	case a1 < b1 || a1 == b1 && a2 < b2:
		return -1
	case a1 == b1 && a2 == b2:
		return 0
	}
	return 1
}

// openOrders checks everything about sealed orders that does not depend on what
// went before.
func (c *Core) openOrders(sealed []byte) (*wirev1.Orders, *refusal) {
	payload, err := c.config.Keys.Open(seal.Orders, c.config.Address.Network, c.config.Address.Beacon, sealed)
	if err != nil {
		return nil, sealRefusal(err)
	}
	var o wirev1.Orders
	if err := proto.Unmarshal(payload, &o); err != nil {
		return nil, &refusal{"garbled", "orders whose payload is garbled"}
	}
	if o.GetLeastReader() > Reader {
		return &o, &refusal{string(UpdateNeeded), fmt.Sprintf("Orders %d/%d need format %d and this program reads up to %d: update it.", o.GetEpoch(), o.GetRevision(), o.GetLeastReader(), Reader)}
	}
	if wrong := c.wrongOrders(&o); wrong != "" {
		return nil, &refusal{"invalid", fmt.Sprintf("Orders %d/%d: %s.", o.GetEpoch(), o.GetRevision(), wrong)}
	}
	return &o, nil
}

func (c *Core) wrongOrders(o *wirev1.Orders) string {
	length := slot.Length(o.GetSlotSeconds())
	switch {
	case o.GetNetwork() != c.config.Address.Network || o.GetBeacon() != c.config.Address.Beacon:
		return fmt.Sprintf("they are for %q in network %q", cut(o.GetBeacon(), 64), cut(o.GetNetwork(), 64))
	case length.Check() != nil:
		return length.Check().Error()
	case o.GetFromSlot() < 0 || o.GetToSlot() > maxSlot || o.GetFromSlot() > o.GetToSlot():
		return fmt.Sprintf("the range of slots from %d to %d is impossible", o.GetFromSlot(), o.GetToSlot())
	case len(o.GetTransmissions()) > maxTransmissions:
		return fmt.Sprintf("%d transmissions, and at most %d are read", len(o.GetTransmissions()), maxTransmissions)
	}
	last := o.GetFromSlot() - 1
	for _, t := range o.GetTransmissions() {
		if t.GetSlot() <= last || t.GetSlot() >= o.GetToSlot() {
			return fmt.Sprintf("slot %d is out of order or out of range", t.GetSlot())
		}
		last = t.GetSlot()
	}
	return ""
}

func (c *Core) receiveOrders(sealed []byte) {
	o, refused := c.openOrders(sealed)
	if refused != nil {
		if refused.reason == string(UpdateNeeded) && compareOrders(number(o), number(c.orders.held)) > 0 {
			c.orders.newer = Newer{Epoch: o.GetEpoch(), Revision: o.GetRevision(), Reader: o.GetLeastReader()}
			c.journal.changed = true
		}
		c.refuse("orders", refused)
		return
	}
	switch compareOrders(number(o), c.newestOrders()) {
	case -1:
		c.refuse("orders", &refusal{"stale", fmt.Sprintf("Orders %d/%d came after newer ones.", o.GetEpoch(), o.GetRevision())})
	case 0: // the broker says its retained message again on each connection
		if same := c.journal.saved.orders; c.orders.waiting == nil && !bytes.Equal(same, sealed) {
			c.refuse("orders", &refusal{"stale", fmt.Sprintf("Other orders with the number %d/%d that is in force already.", o.GetEpoch(), o.GetRevision())})
		}
	case 1:
		c.orders.waiting = newCandidate(sealed, o)
	}
}

func (c *Core) newestOrders() *wirev1.OrdersNumber {
	if c.orders.waiting != nil {
		return number(c.orders.waiting.orders)
	}
	return number(c.orders.held)
}

// changeOrders brings waiting orders into force, as far as they have come.
func (c *Core) changeOrders() {
	w := c.orders.waiting
	if w == nil || c.keyer.status == nil || c.stopping != nil {
		return
	}
	t, known := c.time()
	if !known { // which slots are whose could not be told
		return
	}
	if c.decided(t) { // what is decided on is not withdrawn any more
		return
	}
	if !w.accepted && compareOrders(c.keyer.status.GetOrders(), number(w.orders)) == 0 {
		w.accepted = true
	}
	if w.accepted {
		c.adopt(w, t)
		return
	}
	if w.offeredAt == nil || c.due(*w.offeredAt+offerAgain) {
		at := c.now.Boot
		w.offeredAt = &at
		c.do(ToKeyer{&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Orders{Orders: w.sealed}}})
		c.wakeAt(at + offerAgain)
	}
}

// adopt accounts for the slots that began under the old orders and puts the new
// ones in force. Slots that began before they came are nobody's.
func (c *Core) adopt(w *candidate, t time.Time) {
	c.skipBegun(t)
	issued := time.UnixMilli(w.orders.GetIssuedUnixMs())
	if _, sure := c.bound(); !sure && t.Before(issued) { // it can't be earlier than that
		t = issued
	}
	length := slot.Length(w.orders.GetSlotSeconds())
	if current := length.At(t); c.orders.held.GetSlotSeconds() != w.orders.GetSlotSeconds() || current > c.slots.accounted {
		c.slots.accounted = current
	}
	c.orders.held, c.orders.waiting = w.orders, nil
	if n := c.orders.newer; comparePairs(w.orders.GetEpoch(), w.orders.GetRevision(), n.Epoch, n.Revision) > 0 {
		c.orders.newer = Newer{}
	}
	c.journal.saved.orders, c.journal.changed = w.sealed, true
	c.do(Log{false, fmt.Sprintf("orders %d/%d: %d transmissions", w.orders.GetEpoch(), w.orders.GetRevision(), len(w.orders.GetTransmissions()))})
}

// written takes note that what is saved now is on the disk.
func (c *Core) written(saved Saved) {
	if c.orders.held != nil && bytes.Equal(saved.Orders, c.journal.saved.orders) {
		c.orders.onDisk = number(c.orders.held)
	}
	if c.hush.held != nil && bytes.Equal(saved.Hush, c.journal.saved.hush) {
		c.hush.onDisk = hushNumber(c.hush.held)
	}
}

// confirmed are the orders that agent and keyer both hold on disk.
func (c *Core) confirmed() *wirev1.OrdersNumber {
	ours, theirs := c.orders.onDisk, c.keyer.status.GetOrders()
	if compareOrders(ours, theirs) > 0 {
		ours = theirs
	}
	if ours == nil {
		return &wirev1.OrdersNumber{}
	}
	return ours
}

func (c *Core) ordersVerdict(v *keyerv1.Verdict) {
	w := c.orders.waiting
	if w == nil || !bytes.Equal(v.GetDigest(), w.digest) {
		return
	}
	if v.GetRefusal() == "" || compareOrders(c.keyer.status.GetOrders(), number(w.orders)) == 0 {
		w.accepted = true
		return
	}
	c.orders.waiting = nil
	c.refuse("orders", &refusal{"keyer_" + cut(v.GetRefusal(), 40), "The keyer refused orders: " + v.GetSentence()})
}
