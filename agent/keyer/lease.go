package keyer

import (
	"bytes"
	"slices"
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
	"lamplighter/proto/seal"
)

// nonce is one that a grant may still answer.
type nonce struct {
	value [16]byte
	made  time.Duration // on the boot clock: where a lease counts from
}

// lease is a grant with the moment from which it counts.
type lease struct {
	*held[*wirev1.LeaseGrant]
	made time.Duration
}

// end is when the lease for a kind of control ends, on the boot clock of the
// boot that it is bound to.
func (l *lease) end(bootID string, control wirev1.Control) (end time.Duration, ok bool) {
	if l == nil || l.message.GetBootId() != bootID && !planted.Is("S2 a lease of another boot") {
		return 0, false
	}
	for _, term := range l.message.GetTerms() {
		if term.GetControl() == control {
			return l.made + timeToLive(term), true
		}
	}
	return 0, false
}

// last is when the longest of its terms ends.
func (l *lease) last(bootID string) time.Duration {
	var last time.Duration
	for _, control := range controls {
		end, _ := l.end(bootID, control)
		last = max(last, end)
	}
	return last
}

func timeToLive(t *wirev1.LeaseTerm) time.Duration {
	return time.Duration(t.GetTimeToLiveMs()) * time.Millisecond
}

// makeNonce remembers a nonce and gives it to the agent. Of too many, the
// oldest is forgotten.
func (c *Core) makeNonce(value [16]byte) {
	if value == ([16]byte{}) || slices.ContainsFunc(c.nonces, func(n nonce) bool { return n.value == value }) {
		panic("a nonce that is not random")
	}
	c.nonces = append(c.nonces, nonce{value, c.now.Boot})
	c.nonces = c.nonces[max(0, len(c.nonces)-maxNonces):]
	c.reply(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Nonce{Nonce: &keyerv1.Nonce{
		Nonce: value[:], BootId: c.config.BootID,
	}}})
}

// takeLease accepts the answer to an open request. Whatever was asked before it
// is no longer open, so the lease that counts is the one asked for last.
func (c *Core) takeLease(sealed []byte) *refusal {
	next, no := openLease(c.config, sealed)
	if no != nil {
		return no
	}
	if old := c.wanted.lease; old != nil && bytes.Equal(old.payload, next.payload) {
		return nil
	}
	answered := slices.IndexFunc(c.nonces, func(n nonce) bool { return bytes.Equal(n.value[:], next.message.GetNonce()) })
	if answered < 0 {
		return refuse(UnknownNonce, "")
	}
	granted := &lease{next, c.nonces[answered].made}
	if planted.Is("S2 a lease from when it came") {
		granted.made = c.now.Boot
	}
	if no := c.checkGrant(granted); no != nil {
		return no
	}
	c.nonces = c.nonces[answered+1:]
	c.wanted.lease = granted
	return nil
}

func openLease(config Config, sealed []byte) (*held[*wirev1.LeaseGrant], *refusal) {
	return open(config, seal.Lease, sealed, &wirev1.LeaseGrant{}, func(m *wirev1.LeaseGrant) number {
		return number{m.GetEpoch(), 0}
	})
}

func (c *Core) checkGrant(l *lease) *refusal {
	m := l.message
	if m.GetBootId() != c.config.BootID {
		return refuse(OtherBoot, "%.64q, and this is %.64q", m.GetBootId(), c.config.BootID)
	}
	if old := c.wanted.lease; old != nil && l.number.epoch < old.number.epoch {
		return refuse(Older, "epoch %d, and %d was accepted", l.number.epoch, old.number.epoch)
	}
	if m.GetRefusal() != "" || len(m.GetTerms()) == 0 {
		return refuse(NothingGranted, "%.200q", m.GetRefusal())
	}
	var orders number
	if c.onDisk.orders != nil {
		orders = c.onDisk.orders.number
	}
	confirmed := number{m.GetConfirmed().GetEpoch(), m.GetConfirmed().GetRevision()}
	if confirmed.compare(orders) > 0 {
		return refuse(OrdersNotHeld, "%d.%d, and %d.%d is held", confirmed.epoch, confirmed.count, orders.epoch, orders.count)
	}
	if no := checkTerms(m.GetTerms()); no != nil {
		return no
	}
	if l.last(c.config.BootID) <= c.now.Boot {
		return refuse(LeaseOver, "")
	}
	return nil
}

func checkTerms(terms []*wirev1.LeaseTerm) *refusal {
	seen := map[wirev1.Control]bool{}
	for _, term := range terms {
		longest, known := longestTerm[term.GetControl()]
		if !known || seen[term.GetControl()] || term.GetTimeToLiveMs() <= 0 {
			return refuse(OutOfBounds, "%d ms for control %d", term.GetTimeToLiveMs(), term.GetControl())
		}
		if term.GetTimeToLiveMs() > longest.Milliseconds() {
			return refuse(TermTooLong, "%d ms, and %d at most", term.GetTimeToLiveMs(), longest.Milliseconds())
		}
		seen[term.GetControl()] = true
	}
	return nil
}
