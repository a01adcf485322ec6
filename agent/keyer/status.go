package keyer

import (
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// told is what the agent was told last of how the keyer is.
type told struct {
	status     *keyerv1.Status // without the lease terms, which always change
	at         time.Duration
	tripDetail string
}

// report tells the agent how the keyer is, on each change and each second.
func (c *Core) report() {
	status := c.status()
	if proto.Equal(status, c.told.status) && c.now.Boot < c.told.at+statusEvery {
		return
	}
	c.told.status, c.told.at = proto.CloneOf(status), c.now.Boot
	status.LeaseLeft = c.leaseLeft()
	c.reply(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Status{Status: status}})
}

func (c *Core) status() *keyerv1.Status {
	hushed := c.anyHushed()
	s := &keyerv1.Status{
		Orders: &wirev1.OrdersNumber{}, Hush: &wirev1.HushNumber{},
		Hushed:     hushed,
		HushSilent: !hushed || !c.maybeKeyed(),
		Keyed:      c.key.onAir != nil || c.key.stuck,
		MuteReason: string(c.muteReason()),
		Tripped:    c.tripText(),
	}
	if h := c.onDisk.envelope; h != nil {
		s.Envelope = h.number.count
	}
	if h := c.onDisk.orders; h != nil {
		s.Orders = &wirev1.OrdersNumber{Epoch: h.number.epoch, Revision: h.number.count}
	}
	if h := c.onDisk.hush; h != nil {
		s.Hush = &wirev1.HushNumber{Epoch: h.number.epoch, Number: h.number.count}
	}
	return s
}

// maybeKeyed says whether the key may be down against its orders.
func (c *Core) maybeKeyed() bool { return c.key.stuck || c.key.keyingUp }

// muteReason says what stands between the keyer and any transmission at all.
func (c *Core) muteReason() Reason {
	if no := c.ask([]check{(*Core).armed, (*Core).interlocked, (*Core).heard, (*Core).timed, (*Core).toned}, nil); no != nil {
		return no.reason
	}
	switch {
	case c.silenced(everyBand):
		return Hushed
	case c.onDisk.envelope == nil:
		return NoEnvelope
	case c.onDisk.orders == nil:
		return NoOrders
	case c.onDisk.lease.last(c.config.BootID) <= c.now.Boot:
		return NoLease
	}
	return ""
}

func (c *Core) tripText() string {
	tripped := c.trippedOn()
	if tripped == "" || c.told.tripDetail == "" {
		return string(tripped)
	}
	return string(tripped) + ": " + c.told.tripDetail
}

// leaseLeft is what is left of each term of the lease, sorted by kind.
func (c *Core) leaseLeft() []*wirev1.LeaseTerm {
	var left []*wirev1.LeaseTerm
	for _, control := range slices.Sorted(maps.Keys(longestTerm)) {
		if end, ok := c.onDisk.lease.end(c.config.BootID, control); ok && end > c.now.Boot {
			left = append(left, &wirev1.LeaseTerm{Control: control, TimeToLiveMs: (end - c.now.Boot).Milliseconds()})
		}
	}
	return left
}
