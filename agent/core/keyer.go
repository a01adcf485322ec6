package core

import (
	"fmt"
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
)

const (
	statusLasts  = 5 * time.Second // the keyer speaks each second
	presentAgain = 10 * time.Second
)

// keyer is what the keyer last said.
type keyer struct {
	status   *keyerv1.Status // nil: none since it was started
	statusAt time.Duration

	envelopeAt, ordersAt, hushAt *time.Duration // when it was last given them; nil: not yet
}

func (c *Core) hear(m *keyerv1.FromKeyer) {
	switch body := m.GetBody().(type) {
	case *keyerv1.FromKeyer_Status:
		c.keyerStatus(body.Status)
	case *keyerv1.FromKeyer_Nonce:
		c.requestLease(body.Nonce)
	case *keyerv1.FromKeyer_Verdict:
		c.keyerVerdict(body.Verdict)
	case *keyerv1.FromKeyer_Keyed:
		c.keyed(body.Keyed)
	case *keyerv1.FromKeyer_Ended:
		c.keyerEnded(body.Ended)
	case *keyerv1.FromKeyer_OperatorAct:
		c.operatorAct(body.OperatorAct)
	}
}

func (c *Core) keyerStatus(s *keyerv1.Status) {
	before := c.keyer.status
	c.keyer.status, c.keyer.statusAt = s, c.now.Boot
	if s.GetTripped() != "" && s.GetTripped() != before.GetTripped() {
		c.always("keyer_tripped", "The keyer tripped and stays silent until an operator re-arms it: "+s.GetTripped())
	}
	if before == nil {
		c.lease.askNow(c.now.Boot)
	}
}

func (c *Core) keyerVerdict(v *keyerv1.Verdict) {
	switch v.GetKind() {
	case "orders":
		c.ordersVerdict(v)
	case "lease":
		c.leaseVerdict(v)
	default:
		if v.GetRefusal() != "" {
			c.do(Log{true, fmt.Sprintf("the keyer refused an %.20q (%s): %s", v.GetKind(), cut(v.GetRefusal(), 40), cut(v.GetSentence(), maxSentence))})
		}
	}
}

// presentToKeyer gives a keyer what it seems not to have, in the order in which
// it needs it.
func (c *Core) presentToKeyer() {
	s := c.keyer.status
	if s == nil {
		return
	}
	c.wakeUnlessHeard(c.keyer.statusAt + statusLasts + time.Millisecond)
	if s.GetEnvelope() < c.envelope.GetNumber() {
		c.present(&c.keyer.envelopeAt, &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Envelope{Envelope: c.config.Envelope}})
	}
	if compareHushes(s.GetHush(), hushNumber(c.hush.held)) < 0 {
		c.present(&c.keyer.hushAt, &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Hush{Hush: c.journal.saved.hush}})
	}
	if compareOrders(s.GetOrders(), number(c.orders.held)) < 0 {
		c.present(&c.keyer.ordersAt, &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Orders{Orders: c.journal.saved.orders}})
	}
}

func (c *Core) present(last **time.Duration, m *keyerv1.ToKeyer) {
	if *last != nil && !c.due(**last+presentAgain) {
		return
	}
	at := c.now.Boot
	*last = &at
	c.do(ToKeyer{m})
}

// keyerAnswers says whether the keyer was heard of lately.
func (c *Core) keyerAnswers() bool {
	return c.keyer.status != nil && c.now.Boot-c.keyer.statusAt <= statusLasts
}

// keyerLost ends what was in the keyer's hands.
func (c *Core) keyerLost() {
	c.note("keyer_lost", "", "The keyer has gone; its key line falls back to silence by itself.")
	for _, open := range c.slots.inOrder() {
		if open.permittedAt == nil {
			continue
		}
		if planted.Is("S14 a lost keyer sent nothing") {
			c.finish(open.slot, ended{kind: wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED, reason: string(KeyerGone)})
			continue
		}
		kind := wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED
		if c.now.Boot >= open.begins {
			kind = wirev1.OutcomeKind_OUTCOME_KIND_ABORTED
		}
		c.finish(open.slot, ended{kind: kind, reason: string(KeyerGone)})
	}
	c.keyer = keyer{}
	if w := c.orders.waiting; w != nil {
		w.offeredAt, w.accepted = nil, false
	}
}

func (c *Core) stopKeyer(why Reason) {
	c.do(ToKeyer{&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Stop{Stop: &keyerv1.Stop{Reason: string(why)}}}})
}

// hushOnDisk is the hush state that agent and keyer both hold on disk.
func (c *Core) hushOnDisk() *wirev1.HushNumber {
	return lowerHush(c.hush.onDisk, c.keyer.status.GetHush())
}

func lowerHush(a, b *wirev1.HushNumber) *wirev1.HushNumber {
	if compareHushes(a, b) > 0 {
		a = b
	}
	if a == nil {
		return &wirev1.HushNumber{}
	}
	return a
}
