package keyer

import (
	"fmt"
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
)

// Core is the keyer's state. It is not safe for concurrent use.
type Core struct {
	config  Config
	now     Instant
	started time.Duration // this process, on the boot clock
	out     []Action

	store
	nonces   []nonce
	agent    agent
	key      key
	told     told
	operator operator
}

// agent is what the agent said last.
type agent struct {
	heard     *keyerv1.Heartbeat
	heardAt   time.Duration
	jumped    bool          // the wall clock, in this step
	settlesAt time.Duration // when the wall clock is believed again
	left      Reason        // why nobody is left to key for
}

// New restores a keyer from what was on disk. The actions come first of all:
// the key goes up, whatever it was.
func New(config Config, persisted Persisted, now Instant) (*Core, []Action) {
	now.Wall = now.Wall.Round(0)
	c := &Core{config: config, now: now, started: now.Boot}
	c.restore(persisted)
	c.keyUp()
	c.report()
	return c, c.out
}

// Step takes in one event and says what is to be done, in order. Before the
// event itself it looks at what the passing of time has ended.
func (c *Core) Step(now Instant, e Event) (actions []Action) {
	c.out = nil
	defer func() {
		if cause := recover(); cause != nil {
			c.collapse(cause)
			actions = c.out
		}
	}()
	c.observe(now)
	c.advance()
	c.take(e)
	c.advance()
	c.save()
	c.report()
	return c.out
}

// collapse is what is left to do when something impossible was found.
func (c *Core) collapse(cause any) {
	kept := c.out[:0]
	for _, action := range c.out {
		switch action.(type) {
		case Reply, Persist, Remember, Answer, Examine:
			kept = append(kept, action)
		}
	}
	c.out = kept
	c.trip(Assertion, fmt.Sprint(cause))
	if m := c.key.ending; m != nil {
		c.key.ending = nil
		m.Kind, m.Reason = wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, string(Assertion)
		c.ended(m)
	}
	c.endAll(Assertion)
	c.keyUp()
	c.save()
	c.report()
}

// observe takes the time, and notices when the wall clock was set.
func (c *Core) observe(now Instant) {
	now.Wall = now.Wall.Round(0) // the wall clock alone
	passed := now.Boot - c.now.Boot
	jump := now.Wall.Sub(c.now.Wall) - passed
	c.now = now
	if passed < 0 {
		panic("the boot-time clock went back")
	}
	if c.agent.jumped = jump.Abs() > clockJump && !planted.Is("S12 a clock that was set"); c.agent.jumped {
		c.agent.settlesAt = now.Boot + clockSettles
	}
}

// advance does what is due.
func (c *Core) advance() {
	if c.key.stuck && c.now.Boot >= c.key.unkeyAt {
		c.keyUp()
	}
	if c.key.onAir != nil {
		c.goOn()
	}
	if c.key.pending != nil {
		c.tryKey()
	}
}

func (c *Core) take(e Event) {
	switch e := e.(type) {
	case FromAgent:
		c.takeMessage(e.Message)
	case NonceRequested:
		c.makeNonce(e.Nonce)
	case Stored:
		c.stored(e.Err)
	case Keyed:
		c.keyed(e.Err)
	case Unkeyed:
		c.unkeyed(e.Err)
	case TransmitterFault:
		c.endOnAir(TransmitterError)
	case ReadBackMismatch:
		c.trip(ReadBack, "")
		c.silence(ReadBack)
	case Leaving:
		c.agent.left = e.Why
		c.silence(e.Why)
	case Sensed:
		c.sense(e)
	case Rearm:
		c.rearm(e)
	case Examined:
		c.examined(e.Err)
	case Presence:
		c.attend(e)
	}
}

// Kinds of sealed messages, as verdicts name them.
const (
	kindEnvelope = "envelope"
	kindOrders   = "orders"
	kindHush     = "hush"
	kindLease    = "lease"
)

func (c *Core) takeMessage(m *keyerv1.ToKeyer) {
	switch body := m.GetBody().(type) {
	case *keyerv1.ToKeyer_Heartbeat:
		c.agent.heard, c.agent.heardAt = body.Heartbeat, c.now.Boot
	case *keyerv1.ToKeyer_Envelope:
		c.judge(kindEnvelope, body.Envelope, c.takeEnvelope)
	case *keyerv1.ToKeyer_Orders:
		c.judge(kindOrders, body.Orders, c.takeOrders)
	case *keyerv1.ToKeyer_Hush:
		c.judge(kindHush, body.Hush, c.takeHush)
	case *keyerv1.ToKeyer_Lease:
		c.judge(kindLease, body.Lease, c.takeLease)
	case *keyerv1.ToKeyer_Permit:
		c.permit(body.Permit)
	case *keyerv1.ToKeyer_Stop:
		c.stop(body.Stop.GetReason())
	}
}

func (c *Core) do(a Action) { c.out = append(c.out, a) }

func (c *Core) reply(m *keyerv1.FromKeyer) { c.do(Reply{m}) }

// trip latches: nothing is keyed until an operator re-arms. The first cause
// stands.
func (c *Core) trip(r Reason, detail string) {
	if c.wanted.tripped == "" {
		c.wanted.tripped, c.told.tripDetail = r, detail
	}
}

// Next is the time on the boot clock at which Step wants a Tick at the latest:
// never more than a second ahead.
func (c *Core) Next() time.Duration {
	next := c.told.at + statusEvery
	if c.agent.heard != nil && c.now.Boot < c.agent.heardAt+heartbeatLimit {
		next = min(next, c.agent.heardAt+heartbeatLimit)
	}
	if c.inputsRead() {
		next = min(next, c.operator.readAt+inputsLimit)
	}
	if c.key.stuck {
		next = min(next, c.key.unkeyAt)
	}
	if j := c.key.onAir; j != nil {
		next = min(next, j.edge())
	}
	if j := c.key.pending; j != nil {
		next = min(next, j.startsAt())
		if at := j.preparesAt(); at > c.now.Boot {
			next = min(next, at)
		}
	}
	return max(next, c.now.Boot)
}
