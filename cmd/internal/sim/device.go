package sim

import (
	"encoding/binary"
	"encoding/hex"
	"math/rand/v2"
	"time"

	"lamplighter/agent/clock/judge"
	"lamplighter/agent/core"
	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/topic"
)

const (
	beat        = 50 * time.Millisecond  // between heartbeats
	fewBeats    = 290 * time.Millisecond // between those that are played while a carrier goes on: just enough
	each        = time.Second            // a reading of the clock, a word of the keyer
	seldom      = time.Minute            // at least so often somebody looks, on the quietest beacon
	early       = 10 * time.Millisecond
	healthEvery = 10 * time.Minute
)

// buildDate is a date at which the agents' program did not exist yet.
var buildDate = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

// device is the box at a beacon: machine, agent, keyer and transmitter. What a
// real shell does each second or each 50 ms is done here only when somebody
// would notice: just before the cores take their next step. So nothing that
// they decide differs, and a quiet hour costs nothing.
type device struct {
	world  *world
	name   string // the beacon's
	label  string // the same, or who it only pretends to be
	clone  bool
	chance *rand.Rand

	machine     machine
	powered     bool
	dark        int  // planned faults that keep the power away
	asleep      bool // suspended, as a whole
	asleepAt    time.Duration
	slept       time.Duration
	source      source
	outbox      outbox
	transmitter transmitter
	link        link

	agent    *core.Core    // nil: it does not run
	agentRun uint64        // of which run it is
	hung     bool          // the agent's process stands still
	waiting  []core.Event  // until it goes on
	frozen   []keyer.Event // until the machine wakes up
	readAt   time.Duration
	beatAt   time.Duration
	diskFull bool
	diskSlow time.Duration

	keyer      *keyer.Core // nil: it does not run
	keyerRun   uint64
	state      []byte // the keyer's, on disk
	garbled    bool   // what is there can't be read
	stateFails bool   // nothing can be written
	failures   int    // of keyers in a row
	lastBeat   *keyerv1.Heartbeat
	beating    *keyerv1.ToKeyer // the same as a message
	lookedAt   time.Duration    // when both last looked
	heard      *keyerv1.Status  // the latest that the agent was given on the air
	heardAt    time.Duration
	expected   time.Duration // when a permitted slot is to be keyed, true time; 0: none is
	onAirAt    time.Duration // when it was, 0: not on the air
	watched    bool          // every heartbeat and every tone of this one is played
	tripped    string
	rogue      map[int64]bool // slots that somebody but the agent permitted
	attended   time.Duration  // until when an operator is present, true time

	work    []any // core.Event and keyer.Event that are still to be taken in
	busy    bool
	wake    time.Duration
	runs    uint64
	archive []*keyerv1.ToKeyer // some of what the keyer was given before
}

func (d *device) instants() (core.Instant, keyer.Instant) {
	wall, boot := d.machine.wall(d.world.now), d.machine.bootTime(d.world.now)
	return core.Instant{Wall: wall, Boot: boot}, keyer.Instant{Wall: wall, Boot: boot}
}

// powerOn boots the machine. A clock without a battery shows an old date.
func (d *device) powerOn() {
	if d.powered {
		return
	}
	d.runs++
	off := time.Duration(d.chance.NormFloat64() * float64(time.Second))
	if d.chance.IntN(4) == 0 {
		off = -time.Duration(d.chance.Int64N(int64(3000 * time.Hour)))
	}
	d.machine = machine{
		booted: d.world.now, boot: "boot-" + d.randomHex(8), drift: (d.chance.Float64() - 0.5) * 80e-6,
		atBoot: d.world.time().Add(off).Round(0),
	}
	d.powered, d.asleep, d.slept = true, false, 0
	d.world.happened("power on", d.label, d.runs)
	d.startAgent()
}

// powerOff ends everything at once. A write that is under way is on the disk or
// not.
func (d *device) powerOff() {
	if !d.powered {
		return
	}
	d.world.happened("power off", d.label, d.runs)
	d.powered, d.asleep = false, false
	d.endAgent()
	d.endKeyer()
	d.transmitter.off()
	d.world.oracle.rebooted(d)
}

func (d *device) randomHex(bytes int) string {
	var raw [16]byte
	binary.BigEndian.PutUint64(raw[:], d.chance.Uint64())
	binary.BigEndian.PutUint64(raw[8:], d.chance.Uint64())
	return hex.EncodeToString(raw[:bytes])
}

// startAgent starts agent and keyer.
func (d *device) startAgent() {
	if !d.powered || d.agent != nil {
		return
	}
	run := d.randomHex(16)
	now, _ := d.instants()
	agent, actions, err := core.New(core.Config{
		Address: d.address(), Keys: d.world.keys, Envelope: d.world.envelopes[d.name], HealthEvery: healthEvery,
		Version: "simulated", BuildDate: buildDate, Run: run, KernelBootID: d.machine.boot,
	}, d.outbox.open(run), now)
	if err != nil {
		panic(err) // the envelope is the coordinator's own
	}
	d.agent, d.hung, d.waiting, d.readAt, d.failures = agent, false, nil, -time.Hour, 0
	d.agentRun++
	d.source.ready = false
	if d.source.judge != nil {
		d.source.judge = judge.New(judge.Config{Build: buildDate})
	}
	d.world.happened("agent starts", d.label, d.agentRun)
	d.perform(actions)
	d.startKeyer()
	d.link.begin()
}

func (d *device) address() topic.Address {
	return topic.Address{Network: d.world.network, Beacon: d.name}
}

// endAgent is a kill. Its keyer notices that the pipe is closed.
func (d *device) endAgent() {
	if d.agent == nil {
		return
	}
	d.world.happened("agent ends", d.label, d.agentRun)
	d.agent, d.waiting, d.hung = nil, nil, false
	d.agentRun++
	d.link.end()
	d.world.oracle.agentEnded(d)
}

// killAgent kills the agent alone; the service manager starts it again.
func (d *device) killAgent() {
	if d.agent == nil || d.asleep {
		return
	}
	if d.onAirAt != 0 {
		d.world.reach("agent killed during key-down")
	}
	d.endAgent()
	if d.keyer != nil {
		d.keyerStep(keyer.Leaving{Why: keyer.AgentGone})
		d.endKeyer()
	}
	run := d.agentRun
	d.world.after(time.Duration(100+d.chance.IntN(20_000))*time.Millisecond, func() {
		if d.agentRun == run {
			d.startAgent()
		}
	})
}

// startKeyer starts the keyer's process.
func (d *device) startKeyer() {
	if d.agent == nil || d.keyer != nil {
		return
	}
	persisted := keyer.Persisted{State: d.state}
	if d.garbled {
		persisted = keyer.Persisted{Unreadable: errJammed}
		d.garbled = false
		d.world.oracle.forgot(d)
		d.world.reach("a keyer's state that can't be read")
	}
	_, now := d.instants()
	core, actions := keyer.New(keyer.Config{
		Network: d.world.network, Beacon: d.name, Keys: d.world.keys, BootID: d.machine.boot,
	}, persisted, now)
	d.keyer = core
	d.keyerRun++
	d.beatAt, d.expected, d.onAirAt, d.lastBeat, d.beating = -time.Hour, 0, 0, nil, nil
	d.world.oracle.keyerStarted(d)
	d.carryOut(actions)
	d.drain()
}

// endKeyer is its end, whatever it was: the line falls.
func (d *device) endKeyer() {
	if d.keyer == nil {
		return
	}
	d.keyer, d.frozen = nil, nil
	d.keyerRun++
	d.expected, d.onAirAt = 0, 0
	if !d.transmitter.jammed {
		d.transmitter.off()
	} else if d.transmitter.keyed {
		d.world.oracle.beyond(d)
	}
	d.world.oracle.keyerEnded(d)
}

// killKeyer kills the keyer alone; the agent starts another.
func (d *device) killKeyer() {
	if d.keyer == nil || d.agent == nil || d.asleep {
		return
	}
	if d.onAirAt != 0 {
		d.world.reach("keyer killed during key-down")
	}
	d.world.happened("keyer killed", d.label, d.keyerRun)
	d.endKeyer()
	d.agentStep(core.KeyerLost{})
	wait := min(time.Second<<d.failures, 30*time.Second) * time.Duration(min(d.failures, 1))
	d.failures++
	run := d.agentRun
	d.world.after(wait, func() {
		if d.agentRun == run {
			d.startKeyer()
		}
	})
}

// runs says whether agent and keyer get any time.
func (d *device) running() bool { return d.powered && !d.asleep }

// alive says whether heartbeats go on.
func (d *device) alive() bool { return d.agent != nil && !d.hung && d.running() }

// agentStep has the agent take in an event, after what each second brings.
func (d *device) agentStep(e core.Event) {
	switch {
	case d.agent == nil:
	case d.hung || d.asleep:
		if len(d.waiting) < 1000 {
			d.waiting = append(d.waiting, e)
		}
	default:
		d.refresh()
		d.work = append(d.work, e)
		d.drain()
	}
}

func (d *device) keyerStep(e keyer.Event) {
	switch {
	case d.keyer == nil:
	case d.asleep:
		d.frozen = append(d.frozen, e)
	default:
		if d.alive() {
			d.refresh() // for the heartbeat before it
		}
		d.work = append(d.work, e)
		d.drain()
	}
}

// touch lets both look at the time.
func (d *device) touch() { d.agentStep(core.Tick{}) }

// together are events that the agent takes in at once.
type together []core.Event

// refresh is what each second brings: a reading of the clock and a word of the
// keyer. While no slot is permitted, the keyer speaks first, by the heartbeat
// before: neither must seem to have been silent.
func (d *device) refresh() {
	if d.busy || d.world.now-d.readAt < each {
		return
	}
	d.readAt = d.world.now
	read := together{core.ClockRead{Reading: d.reading()}}
	if d.keyer != nil && d.beating != nil && d.alive() && d.expected == 0 && d.onAirAt == 0 {
		_, now := d.instants()
		d.carryOut(d.keyer.Step(now, keyer.FromAgent{Message: d.beating}))
		for len(d.work) > 0 {
			said, ok := d.work[0].(core.KeyerSaid)
			if !ok {
				break
			}
			read, d.work = append(read, said), d.work[1:]
		}
	}
	d.work = append([]any{read, keyer.Tick{}}, d.work...)
	d.drain()
}

// drain takes in what waits, and what that brings.
func (d *device) drain() {
	if d.busy {
		return
	}
	d.busy = true
	for len(d.work) > 0 {
		next := d.work[0]
		d.work = d.work[1:]
		switch e := next.(type) {
		case together:
			if d.agent != nil {
				now, _ := d.instants()
				d.perform(d.agent.Step(now, e...))
			}
		case core.Event:
			if d.agent != nil {
				now, _ := d.instants()
				d.perform(d.agent.Step(now, e))
			}
		case keyer.Event:
			d.feed(e)
		}
	}
	d.busy = false
	d.sleep()
}

// feed steps the keyer, after the heartbeat that came just before.
func (d *device) feed(e keyer.Event) {
	if d.keyer == nil {
		return
	}
	agentNow, now := d.instants()
	if d.alive() && d.world.now-d.beatAt >= beat {
		d.beatAt = d.world.now
		d.beating = d.agent.Heartbeat(agentNow)
		d.lastBeat = d.beating.GetHeartbeat()
		d.carryOut(d.keyer.Step(now, keyer.FromAgent{Message: d.beating}))
		if _, ok := e.(keyer.Tick); ok {
			return // it has just looked
		}
	}
	d.carryOut(d.keyer.Step(now, e))
}

// again is the heartbeat once more, while nothing but a carrier goes on.
func (d *device) again() {
	_, now := d.instants()
	d.beatAt = d.world.now
	d.carryOut(d.keyer.Step(now, keyer.FromAgent{Message: d.beating}))
	if said := d.work; len(said) > 0 {
		d.work = nil
		d.refresh()
		d.work = append(d.work, said...)
		d.drain()
	} else {
		d.sleep()
	}
}

// sleep finds out when somebody has to look again.
func (d *device) sleep() {
	next := d.world.now + seldom
	if d.source.fix && d.expected == 0 {
		next += 4 * seldom
	}
	if d.alive() {
		due := d.agent.NextHeard()
		if d.keyer == nil {
			due = min(due, d.agent.Next())
		}
		at := d.machine.when(due)
		if at-d.readAt >= each && at-early > d.world.now {
			at -= early // to have heard what each second brings before it decides
		}
		next = min(next, at)
	}
	if d.keyer != nil && d.running() {
		next = min(next, d.keyerNext())
	}
	if !d.running() {
		return
	}
	next = max(next, d.world.now+100*time.Microsecond)
	if next == d.wake {
		return
	}
	d.wake = next
	d.world.at(next, func() {
		if d.wake == next && d.world.now == next {
			d.wake = 0
			d.look()
		}
	})
}

// keyerNext is when the keyer has something to do.
func (d *device) keyerNext() time.Duration {
	now, exact := d.world.now, d.machine.when(d.keyer.Next())
	if !d.alive() || d.transmitter.jammed {
		return exact
	}
	switch {
	case d.watched && (d.onAirAt != 0 || d.expected != 0):
		return min(exact, now+beat)
	case d.onAirAt != 0:
		if end := d.onAirAt + slot.Standard.Timing().Signal() - 100*time.Millisecond; now < end {
			return min(end, d.beatAt+fewBeats)
		}
		return exact
	case d.expected != 0:
		const before = 800 * time.Millisecond
		switch {
		case now < d.expected-before:
			return d.expected - before
		case now < d.expected+time.Second:
			return exact
		}
	}
	return now + seldom
}

// look lets agent and keyer do what is due.
func (d *device) look() {
	if !d.running() {
		return
	}
	if d.onAirAt != 0 && d.alive() && d.world.now-d.lookedAt < seldom/2 && d.world.now < d.machine.when(d.agent.NextHeard()) {
		d.again()
		return
	}
	d.lookedAt = d.world.now
	if d.alive() {
		d.refresh()
	}
	if d.keyer != nil {
		d.work = append(d.work, keyer.Tick{})
	}
	if now, _ := d.instants(); d.alive() && now.Boot >= d.agent.Next() {
		d.work = append(d.work, core.Tick{})
	}
	d.drain()
}

// perform is the agent's shell.
func (d *device) perform(actions []core.Action) {
	for _, action := range actions {
		switch a := action.(type) {
		case core.Publish:
			d.link.up(a)
		case core.ToKeyer:
			d.tell(a.Message)
		case core.Commit:
			d.write(a)
		case core.Fetch:
			d.later(time.Millisecond, func() core.Event { return d.outbox.fetch(a) })
		case core.Delete:
			d.later(d.diskTime(), func() core.Event {
				d.outbox.delete(a.Ranges)
				return core.Deleted{Room: d.outbox.room()}
			})
		}
	}
}

// later answers the agent's run of now after a while.
func (d *device) later(wait time.Duration, answer func() core.Event) {
	run := d.agentRun
	d.world.after(wait, func() {
		if d.agentRun == run && d.agent != nil {
			d.agentStep(answer())
		}
	})
}

func (d *device) diskTime() time.Duration {
	return time.Duration(2+d.chance.IntN(20))*time.Millisecond + time.Duration(d.chance.Int64N(int64(d.diskSlow)+1))
}

// write commits. Where power or process ends before it is done, it is on the
// disk or not.
func (d *device) write(c core.Commit) {
	run, lands := d.agentRun, d.chance.IntN(2) == 0
	d.world.after(d.diskTime(), func() {
		switch {
		case d.agentRun != run:
			if lands && d.outbox.run == d.runOf(run) {
				d.outbox.commit(c)
				d.world.reach("a kill during a commit that landed")
			}
		case d.diskFull:
			d.world.reach("disk full")
			d.agentStep(core.CommitFailed{ID: c.ID, Sentence: "no space left"})
		default:
			d.outbox.commit(c)
			d.agentStep(core.Committed{ID: c.ID, Room: d.outbox.room()})
		}
	})
}

// runOf is the id of the run that began when agentRun was run; nothing has begun
// since where it still is the outbox's.
func (d *device) runOf(run uint64) string {
	if d.agentRun == run+1 { // ended, and no other has started
		return d.outbox.run
	}
	return ""
}

// tell gives the keyer a message.
func (d *device) tell(m *keyerv1.ToKeyer) {
	if d.keyer == nil {
		return
	}
	d.world.oracle.told(d, m)
	switch body := m.GetBody().(type) {
	case *keyerv1.ToKeyer_NonceRequest:
		var made keyer.NonceRequested
		binary.BigEndian.PutUint64(made.Nonce[:], d.chance.Uint64())
		binary.BigEndian.PutUint64(made.Nonce[8:], d.chance.Uint64()|1)
		d.world.oracle.nonce(d, made.Nonce)
		d.work = append(d.work, made)
		return
	case *keyerv1.ToKeyer_Permit:
		d.expect(body.Permit.GetSlot())
	default:
		d.keep(m)
	}
	d.work = append(d.work, keyer.FromAgent{Message: m})
}

// keep remembers a sealed message, for whoever replays it later.
func (d *device) keep(m *keyerv1.ToKeyer) {
	if m.GetStop() != nil {
		return
	}
	if len(d.archive) < 64 {
		d.archive = append(d.archive, m)
	} else {
		d.archive[d.chance.IntN(len(d.archive))] = m
	}
}

// expect looks closely around the time at which a slot is to be keyed.
func (d *device) expect(n int64) {
	start := slot.Standard.Start(slot.Number(n)).Add(slot.Standard.Timing().StartOffset())
	d.expected = start.Sub(d.world.began) - d.clockError()
	d.watched = d.chance.IntN(64) == 0
}

// clockError is the keyer's clock less true time.
func (d *device) clockError() time.Duration {
	return d.keyerClock().Sub(d.world.time())
}

func (d *device) keyerClock() time.Time {
	return d.machine.wall(d.world.now).Add(time.Duration(d.lastBeat.GetWallOffsetNs()))
}

// carryOut is the keyer's shell.
func (d *device) carryOut(actions []keyer.Action) {
	for _, action := range actions {
		switch a := action.(type) {
		case keyer.Key:
			d.onAirAt, d.expected = d.world.now, 0
			err := d.transmitter.key(a.Hz)
			d.work = append(d.work, keyer.Keyed{Err: err})
			if d.transmitter.mismatch {
				d.work = append(d.work, keyer.ReadBackMismatch{})
			}
		case keyer.Tone:
			d.world.oracle.tone(d, a.Hz)
		case keyer.Unkey:
			d.onAirAt = 0
			d.work = append(d.work, keyer.Unkeyed{Err: d.transmitter.unkey()})
		case keyer.Persist:
			d.persist(a.State)
		case keyer.Examine:
			d.work = append(d.work, keyer.Examined{Err: d.transmitter.examine()})
		case keyer.Reply:
			d.world.oracle.said(d, a.Message)
			if s := a.Message.GetStatus(); s != nil {
				d.tripped = s.GetTripped()
			}
			if a.Message.GetEnded() != nil && d.onAirAt == 0 {
				d.expected = 0
			}
			if d.agent != nil && !d.old(a.Message.GetStatus()) {
				d.hear(a.Message)
			}
		}
	}
}

// old says whether a status says nothing new. While a carrier goes on, the agent
// is not given each of these.
func (d *device) old(s *keyerv1.Status) bool {
	if s == nil || d.onAirAt == 0 || d.watched {
		return false
	}
	before := d.heard
	if before.GetKeyed() == s.GetKeyed() && before.GetMuteReason() == s.GetMuteReason() && before.GetTripped() == s.GetTripped() &&
		before.GetHushed() == s.GetHushed() && before.GetHushSilent() == s.GetHushSilent() &&
		before.GetOrders().GetEpoch() == s.GetOrders().GetEpoch() && before.GetOrders().GetRevision() == s.GetOrders().GetRevision() &&
		before.GetHush().GetEpoch() == s.GetHush().GetEpoch() && before.GetHush().GetNumber() == s.GetHush().GetNumber() &&
		d.world.now-d.heardAt < 4*each {
		return true
	}
	d.heard, d.heardAt = s, d.world.now
	return false
}

// hear gives the agent the keyer's message.
func (d *device) hear(m *keyerv1.FromKeyer) {
	said := core.KeyerSaid{Message: m}
	if d.hung {
		d.waiting = append(d.waiting, said)
		return
	}
	d.work = append(d.work, said)
}

// persist writes the keyer's state as a whole, or not at all.
func (d *device) persist(state []byte) {
	run, lands := d.keyerRun, d.chance.IntN(2) == 0
	d.world.after(d.diskTime(), func() {
		switch {
		case d.keyerRun != run:
			if lands && d.keyerRun == run+1 {
				d.state = state
				d.world.reach("a kill during a write of the keyer that landed")
			}
		case d.stateFails:
			d.world.reach("a keyer that can't write")
			d.keyerStep(keyer.Stored{Err: errDeaf})
		default:
			d.state = state
			d.keyerStep(keyer.Stored{})
		}
	})
}

// hang stops the agent's process for a while.
func (d *device) hang(long time.Duration) {
	if !d.alive() {
		return
	}
	d.touch()
	if d.onAirAt != 0 {
		d.world.reach("agent hung during key-down")
	}
	d.world.happened("agent hangs", d.label, d.agentRun)
	d.hung = true
	d.world.oracle.agentEnded(d)
	run := d.agentRun
	d.sleep()
	d.world.after(long, func() {
		if d.agentRun == run {
			d.resume()
		}
	})
}

// resume lets a process go on that stood still.
func (d *device) resume() {
	if d.hung {
		d.hung = false
		d.goOn()
	}
}

// goOn takes in what came while the agent stood still.
func (d *device) goOn() {
	waiting := d.waiting
	d.waiting = nil
	for _, e := range waiting {
		d.agentStep(e)
	}
	d.look()
}

// suspend stops the machine as a whole. A carrier stays as it is.
func (d *device) suspend(long time.Duration) {
	if !d.running() {
		return
	}
	d.world.happened("suspend", d.label, 0)
	if d.transmitter.keyed {
		d.world.reach("suspended during key-down")
		d.world.oracle.beyond(d)
	}
	d.asleep = true
	d.world.oracle.agentEnded(d)
	d.asleepAt = d.world.now
	runs := d.runs
	d.world.after(long, func() {
		if d.runs == runs {
			d.wakeUp()
		}
	})
}

func (d *device) wakeUp() {
	if !d.powered || !d.asleep {
		return
	}
	d.asleep = false
	d.slept += d.machine.bootTime(d.world.now) - d.machine.bootTime(d.asleepAt)
	frozen := d.frozen
	d.frozen = nil
	for _, e := range frozen {
		d.keyerStep(e)
	}
	d.goOn()
}

// stepWall sets the wall clock.
func (d *device) stepWall(by time.Duration) {
	if !d.running() {
		return
	}
	if d.onAirAt != 0 {
		d.world.reach("wall clock stepped during key-down")
	}
	d.world.happened("wall clock stepped", d.label, uint64(by))
	d.machine.atBoot = d.machine.atBoot.Add(by)
	d.look() // with a reading from before
	d.readAt = min(d.readAt, d.world.now-each/2)
	run := d.agentRun
	d.world.after(each/2, func() {
		if d.agentRun == run {
			d.look()
		}
	})
}

// rearm is an operator's word.
func (d *device) rearm() {
	d.keyerStep(keyer.Rearm{By: "warden", Why: "looked at it"})
}
