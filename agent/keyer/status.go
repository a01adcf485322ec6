package keyer

import (
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// told is what the agent was told last of how the keyer is.
type told struct {
	summary    summary // at first one that never is: what is not hushed counts as silent
	at         time.Duration
	tripDetail string
}

// summary is how the keyer is, but for the lease terms, which always change.
type summary struct {
	orders, hush, envelope    number
	hushed, hushSilent, keyed bool
	tripped                   string
	mute                      Reason
}

// report tells the agent how the keyer is, on each change and each second.
func (c *Core) report() {
	s := c.summary()
	if s == c.told.summary && c.now.Boot < c.told.at+statusEvery {
		return
	}
	c.told.summary, c.told.at = s, c.now.Boot
	c.reply(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Status{Status: &keyerv1.Status{
		Orders:     &wirev1.OrdersNumber{Epoch: s.orders.epoch, Revision: s.orders.count},
		Hush:       &wirev1.HushNumber{Epoch: s.hush.epoch, Number: s.hush.count},
		Envelope:   s.envelope.count,
		Hushed:     s.hushed,
		HushSilent: s.hushSilent,
		Keyed:      s.keyed,
		MuteReason: string(s.mute),
		Tripped:    s.tripped,
		LeaseLeft:  c.leaseLeft(),
	}}})
}

func (c *Core) summary() summary {
	hushed := c.anyHushed()
	return summary{
		orders: numberOf(c.onDisk.orders), hush: numberOf(c.onDisk.hush), envelope: numberOf(c.onDisk.envelope),
		hushed: hushed, hushSilent: !hushed || !c.maybeKeyed(), keyed: c.key.onAir != nil || c.key.stuck,
		mute: c.muteReason(), tripped: c.tripText(),
	}
}

func numberOf[M message](h *held[M]) number {
	if h == nil {
		return number{}
	}
	return h.number
}

// maybeKeyed says whether the key may be down against its orders.
func (c *Core) maybeKeyed() bool { return c.key.stuck || c.key.keyingUp }

// general are the conditions of any transmission at all.
var general = []check{(*Core).armed, (*Core).interlocked, (*Core).heard, (*Core).timed, (*Core).toned}

// muteReason says what stands between the keyer and any transmission at all.
func (c *Core) muteReason() Reason {
	if no := c.ask(general, nil); no != nil {
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
	for _, control := range controls {
		if end, ok := c.onDisk.lease.end(c.config.BootID, control); ok && end > c.now.Boot {
			left = append(left, &wirev1.LeaseTerm{Control: control, TimeToLiveMs: (end - c.now.Boot).Milliseconds()})
		}
	}
	return left
}
