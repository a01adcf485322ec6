package core

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// Reader is the highest format number of signed messages that this program
// understands.
const Reader uint32 = 1

// Config is what does not change while an agent runs.
type Config struct {
	Address      topic.Address
	Keys         seal.Keyring
	Envelope     []byte // sealed
	HealthEvery  time.Duration
	Version      string
	BuildDate    time.Time // no clock that says less is believed
	Run          string    // this run's id, 32 random hexadecimal digits
	KernelBootID string
}

// Core is the state of one agent. It is not safe for concurrent use.
type Core struct {
	config   Config
	envelope *wirev1.Envelope
	started  time.Duration

	now     Instant
	actions []Action
	wake    time.Duration // as Next says
	steady  time.Duration // as NextHeard says

	linkUp   bool
	stopping *time.Duration // since when
	clock    clock
	keyer    keyer
	orders   orders
	hush     hush
	lease    lease
	slots    slots
	journal  journal
	window   window
	health   health
	notes    notes
	tally    Tally
	jitter   jitter
}

// Never is what Next says when nothing is waited for.
const Never = time.Duration(math.MaxInt64)

// New starts a run: the first record says so, and what the last run left open
// is closed. The actions are to be carried out before any event.
func New(config Config, restored Restored, now Instant) (*Core, []Action, error) {
	envelope, err := openEnvelope(config)
	if err != nil {
		return nil, nil, err
	}
	c := &Core{
		config: config, envelope: envelope, started: now.Boot, now: now,
		jitter: newJitter(config.Run), tally: restored.Saved.Tally,
	}
	c.slots.open = map[int64]*openSlot{}
	c.notes.last = map[string]time.Duration{}
	c.journal.room = Room{Records: restored.Records}
	c.window.more = true
	c.health.sampleAt = now.Boot + c.jitter.between(time.Second, min(5*time.Second, config.HealthEvery))
	c.record(&wirev1.Record{Body: &wirev1.Record_RunStarted{RunStarted: &wirev1.RunStarted{
		PreviousBoot: restored.PreviousBoot, PreviousLastSeq: restored.PreviousLastSeq,
		Version: config.Version, KernelBootId: config.KernelBootID,
	}}})
	if restored.Trouble != "" {
		c.note("outbox_broken", "", restored.Trouble)
	}
	c.restore(restored)
	c.advance()
	return c, c.actions, nil
}

func openEnvelope(config Config) (*wirev1.Envelope, error) {
	payload, err := config.Keys.Open(seal.Envelope, config.Address.Network, config.Address.Beacon, config.Envelope)
	if err != nil {
		return nil, fmt.Errorf("envelope: %w; take the configuration from the coordinator again", err)
	}
	var envelope wirev1.Envelope
	if err := proto.Unmarshal(payload, &envelope); err != nil {
		return nil, fmt.Errorf("envelope: its payload is garbled; take the configuration from the coordinator again")
	}
	return &envelope, nil
}

// licensed puts a newer envelope in the place of the present one; the keyer, which
// judges by it, is given it with its next status.
func (c *Core) licensed(sealed []byte) {
	config := c.config
	config.Envelope = sealed
	next, err := openEnvelope(config)
	if err != nil {
		c.do(Log{true, fmt.Sprintf("another envelope is not taken: %v", err)})
		return
	}
	if next.GetNumber() <= c.envelope.GetNumber() {
		return
	}
	c.config, c.envelope, c.keyer.envelopeAt = config, next, nil
	c.always("envelope_replaced", "The coordinator has given another envelope: "+next.GetSource())
}

// Step takes in events that have come, and then decides what is to be done. The
// boot clock of now must not be less than in an earlier call.
func (c *Core) Step(now Instant, events ...Event) []Action {
	c.now, c.actions = now, nil
	for _, event := range events {
		c.take(event)
	}
	c.advance()
	return c.actions
}

func (c *Core) take(event Event) {
	switch e := event.(type) {
	case LinkUp:
		c.linkCameUp()
	case LinkDown:
		c.linkUp = false
		c.window.reset()
	case Message:
		c.receive(e)
	case ClockRead:
		c.clock.take(e.Reading, c.now)
	case Sensed:
		c.health.sensors, c.health.sensedAt = e.Sensors, c.now.Boot
	case KeyerSaid:
		c.hear(e.Message)
	case KeyerLost:
		c.keyerLost()
	case Committed:
		c.committed(e)
	case CommitFailed:
		c.commitFailed(e)
	case Fetched:
		c.fetched(e)
	case FetchFailed:
		c.fetchFailed(e)
	case Deleted:
		c.deleted(e)
	case Licensed:
		c.licensed(e.Envelope)
	case Stop:
		c.stop()
	case Tick:
	}
}

// Next is the boot time at which a Tick is wanted, Never if at none.
func (c *Core) Next() time.Duration { return c.wake }

// NextHeard is the same as long as clock and keyer go on speaking each second:
// whoever knows that they will need not look whether they did.
func (c *Core) NextHeard() time.Duration { return c.steady }

// Done says whether a stopping agent has nothing left to do.
func (c *Core) Done() bool {
	if c.stopping == nil {
		return false
	}
	settled := len(c.slots.open) == 0 && c.journal.empty()
	return settled || c.now.Boot-*c.stopping >= stopWithin
}

// stopWithin is how long a clean end may take; what is open then is closed by
// the next run.
const stopWithin = 2 * time.Second

// advance takes every step that the state and the time allow, in this order.
func (c *Core) advance() {
	c.wake, c.steady = Never, Never
	if c.stopping != nil {
		c.wakeAt(*c.stopping + stopWithin)
	}
	for _, step := range []func(){
		c.watchClock,
		c.presentToKeyer,
		c.changeOrders,
		c.decideSlots,
		c.closeSilentSlots,
		c.askForLease,
		c.sampleHealth,
		c.announceHealth,
		c.commit,
		c.deleteReceived,
		c.sendRecords,
	} {
		step()
	}
}

func (c *Core) do(a Action) { c.actions = append(c.actions, a) }

// wakeAt wants a Tick at a boot time; one that has passed is not waited for.
func (c *Core) wakeAt(boot time.Duration) {
	if boot > c.now.Boot {
		c.wake, c.steady = min(c.wake, boot), min(c.steady, boot)
	}
}

// wakeUnlessHeard wants one if neither clock nor keyer speaks before.
func (c *Core) wakeUnlessHeard(boot time.Duration) {
	if boot > c.now.Boot {
		c.wake = min(c.wake, boot)
	}
}

// due says whether a boot time has come, and wants a Tick at it if not.
func (c *Core) due(boot time.Duration) bool {
	c.wakeAt(boot)
	return c.now.Boot >= boot
}

func (c *Core) publish(kind topic.Kind, m proto.Message) {
	payload, err := proto.Marshal(m)
	if err != nil { // only a string that is not UTF-8 could cause it
		c.do(Log{true, fmt.Sprintf("a message for %s could not be written: %v", kind, err)})
		return
	}
	c.do(Publish{Kind: kind, Payload: payload})
}

func (c *Core) linkCameUp() {
	c.linkUp = true
	c.window.reset()
	c.window.attempts = 0
	c.lease.askNow(c.now.Boot)
	c.health.announced = nil
}

func (c *Core) stop() {
	if c.stopping != nil {
		return
	}
	since := c.now.Boot
	c.stopping = &since
	c.stopKeyer(Stopped)
}

// jitter spreads agents apart: numbers from 0 to 1 that follow from the run's
// id alone.
type jitter struct{ state uint64 }

func newJitter(run string) jitter {
	const offset, prime = 14695981039346656037, 1099511628211 // FNV-1a, 64 bits
	state := uint64(offset)
	for i := range len(run) {
		state = (state ^ uint64(run[i])) * prime
	}
	return jitter{state}
}

// between draws a duration from [low, high).
func (j *jitter) between(low, high time.Duration) time.Duration {
	j.state += 0x9e3779b97f4a7c15 // splitmix64, a public-domain generator
	z := j.state
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	z ^= z >> 31
	return low + time.Duration(float64(high-low)*float64(z>>11)/(1<<53))
}
