package core

import (
	"bytes"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

const (
	renewRemote  = 20 * time.Second
	renewOther   = 5 * time.Minute
	askAgain     = 5 * time.Second // when nothing came back, doubling up to
	askAgainMost = time.Minute
	leaseMargin  = 5 * time.Second // between the end of a transmission and that of its lease
)

// lease is when to ask for one. How long it runs is the keyer's to say.
type lease struct {
	askAt      time.Duration
	unanswered int
	confirmed  *wirev1.OrdersNumber // what the latest request confirmed
	shortest   time.Duration        // of the terms of the latest grant; 0: none
}

func (l *lease) askNow(boot time.Duration) { l.askAt, l.unanswered = boot, 0 }

// askForLease asks the keyer for a nonce when a request is due: on connecting,
// when newer orders are confirmed, and in time before a lease runs out.
func (c *Core) askForLease() {
	if !c.linkUp || c.keyer.status == nil || c.stopping != nil {
		return
	}
	if l := &c.lease; compareOrders(c.confirmed(), l.confirmed) > 0 {
		l.askNow(c.now.Boot)
		l.confirmed = c.confirmed()
	}
	if !c.due(c.lease.askAt) {
		return
	}
	c.do(ToKeyer{&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_NonceRequest{NonceRequest: &keyerv1.NonceRequest{}}}})
	wait := min(askAgain<<min(c.lease.unanswered, 10), askAgainMost)
	c.lease.unanswered++
	c.lease.askAt = c.now.Boot + c.jitter.between(wait/2, wait)
	c.wakeAt(c.lease.askAt)
}

func (c *Core) requestLease(n *keyerv1.Nonce) {
	if !c.linkUp {
		return
	}
	c.lease.confirmed = c.confirmed()
	c.publish(topic.LeaseRequest, &wirev1.LeaseRequest{
		Network: c.config.Address.Network, Beacon: c.config.Address.Beacon,
		Nonce: n.GetNonce(), BootId: n.GetBootId(),
		Confirmed: c.lease.confirmed, Hush: c.hushOnDisk(),
		Reader: Reader, Run: c.config.Run,
	})
}

func (c *Core) receiveLease(sealed []byte) {
	payload, err := c.config.Keys.Open(seal.Lease, c.config.Address.Network, c.config.Address.Beacon, sealed)
	if err != nil {
		c.refuse("lease", sealRefusal(err))
		return
	}
	var grant wirev1.LeaseGrant
	if err := proto.Unmarshal(payload, &grant); err != nil {
		c.refuse("lease", &refusal{"garbled", "A lease whose payload is garbled."})
		return
	}
	if grant.GetRefusal() != "" {
		c.note("lease_not_granted", "", "The coordinator grants no lease: "+grant.GetRefusal())
	}
	c.lease.shortest = 0
	for _, term := range grant.GetTerms() {
		if ttl := milliseconds(term.GetTimeToLiveMs()); ttl > 0 && (c.lease.shortest == 0 || ttl < c.lease.shortest) {
			c.lease.shortest = ttl
		}
	}
	c.do(ToKeyer{&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Lease{Lease: bytes.Clone(sealed)}}})
}

// milliseconds is a duration of ms, with what no lease can be cut off.
func milliseconds(ms int64) time.Duration {
	const most = int64(24 * time.Hour / time.Millisecond)
	return time.Duration(max(0, min(ms, most))) * time.Millisecond
}

func (c *Core) leaseVerdict(v *keyerv1.Verdict) {
	if v.GetRefusal() != "" { // a late answer, most likely; the question stands
		c.do(Log{false, fmt.Sprintf("the keyer refused a lease (%s): %s", cut(v.GetRefusal(), 40), cut(v.GetSentence(), maxSentence))})
		return
	}
	c.lease.unanswered = 0
	every := c.renewEvery()
	if planted.Is("L a lease is asked for once") {
		every = 24 * time.Hour
	}
	c.lease.askAt = c.now.Boot + c.jitter.between(every*9/10, every)
}

// renewEvery is the time between requests: what the strictest control needs,
// and never more than a third of what was granted.
func (c *Core) renewEvery() time.Duration {
	every := renewOther
	for _, t := range c.orders.held.GetTransmissions() {
		if t.GetControl() == wirev1.Control_CONTROL_REMOTE {
			every = renewRemote
			break
		}
	}
	switch {
	case c.lease.shortest == 0:
		return min(every, renewRemote) // a reboot, say, waits for its former self to be forgotten
	case c.lease.shortest/3 < every:
		return max(c.lease.shortest/3, time.Second)
	}
	return every
}

// leaseLeft is how long a kind of control may still go on.
func (c *Core) leaseLeft(control wirev1.Control) time.Duration {
	for _, term := range c.keyer.status.GetLeaseLeft() {
		if term.GetControl() == control {
			return milliseconds(term.GetTimeToLiveMs()) - (c.now.Boot - c.keyer.statusAt)
		}
	}
	return 0
}

// longestLease is the longest time left of all kinds.
func (c *Core) longestLease() time.Duration {
	var longest time.Duration
	for _, term := range c.keyer.status.GetLeaseLeft() {
		longest = max(longest, c.leaseLeft(term.GetControl()))
	}
	return longest
}
