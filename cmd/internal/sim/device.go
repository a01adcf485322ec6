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
	state      []byte       // the keyer's, on disk
	garbled    bool         // what is there can't be read
	remembered keyer.Reason // a trip that the machine's memory keeps
	stateFails bool         // nothing can be written
	failures   int          // of keyers in a row
	stopped    bool         // the keyer's process stands still
	lastBeat   *keyerv1.Heartbeat
	beating    *keyerv1.ToKeyer // the same as a message
	lookedAt   time.Duration    // when both last looked
	heard      *keyerv1.Status  // the latest that the agent was given on the air
	heardAt    time.Duration
	expected   time.Duration // when a permitted slot is to be keyed, true time; 0: none is
	awaited    int64         // that slot
	phase      time.Duration // how long before that the latest heartbeat comes
	onAirAt    time.Duration // when it was, 0: not on the air
	watched    bool          // every heartbeat and every tone of this one is played
	tripped    string
	rogue      map[int64]bool // slots that somebody but the agent permitted
	attended   time.Duration  // until when an operator is present, true time

	work    []any // core.Event and keyer.Event that are still to be taken in
	busy    bool
	wake    time.Duration
	woken   func()
	runs    uint64
	archive map[string][]*keyerv1.ToKeyer // some of what the keyer was given before, by kind
	lie     time.Duration                 // by how much the agent is wrong about the time, and says it is not
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
	d.remembered = ""
	d.world.oracle.booted(d)
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
	d.silence()
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
	switch {
	case d.stopped:
		d.world.after(evicted, d.silence)
	case d.keyer != nil:
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
	persisted := keyer.Persisted{State: d.state, Tripped: d.remembered}
	if d.garbled {
		persisted.State, persisted.Unreadable = nil, errJammed
		d.garbled = false
		d.world.oracle.forgot(d)
		d.world.reach("a keyer's state that can't be read")
	}
	_, now := d.instants()
	core, actions := keyer.New(keyer.Config{
		Network: d.world.network, Beacon: d.name, Keys: d.world.keys, BootID: d.machine.boot,
	}, persisted, now)
	d.keyer, d.stopped = core, false
	d.keyerRun++
	d.beatAt, d.expected, d.onAirAt, d.lastBeat, d.beating = -time.Hour, 0, 0, nil, nil
	d.carryOut(actions)
	d.drain()
}

// endKeyer is its end, whatever it was: the line falls.
func (d *device) endKeyer() {
	if d.keyer == nil {
		return
	}
	d.keyer, d.frozen, d.stopped = nil, nil, false
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

// rearm is an operator's word.
func (d *device) rearm() {
	d.keyerStep(keyer.Rearm{By: "warden", Why: "looked at it"})
}
