package judge

import (
	"time"

	"lamplighter/agent/clock/holdover"
	"lamplighter/agent/clock/stability"
	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Config says how a judge judges.
type Config struct {
	Build time.Time // a date at which this program did not exist yet
	// Daemon is whether the time daemon is what the clock is set by, and the
	// receiver if any only a witness; else it is the other way round.
	Daemon bool
	// Alone is whether the operator answers for it that one witness is enough.
	Alone bool
	// Floor is the least growth of the bound without a witness, in seconds per
	// second; 0: that of package holdover.
	Floor float64
}

// Verdict is what is known of the time.
type Verdict struct {
	Reading core.Reading
	Reason  Reason // why the time is not known, or what stands against a witness
}

// Judge takes in what the sources say. It is for one goroutine.
type Judge struct {
	config   Config
	now      Instant
	looked   bool
	past     past
	receiver receiver
	daemon   daemon
	own      own
	leap     leap
	celsius  *float64
	warmAt   time.Duration
	doubt    doubt
	asleep   bool // suspended since two witnesses last agreed
	lock     wirev1.Lock
	changed  time.Duration // when lock changed, raw
}

// New makes a judge that knows nothing yet.
func New(config Config) *Judge {
	if !(config.Floor > 0) {
		config.Floor = holdover.Floor
	}
	return &Judge{config: config, lock: wirev1.Lock_LOCK_NONE}
}

// Take takes in what a source says; now is when it was received.
func (j *Judge) Take(now Instant, event Event) {
	j.look(now)
	switch e := event.(type) {
	case Sentence:
		raw := now.Raw
		if !e.Arrived.IsZero() {
			var known bool
			if raw, _, known = j.past.at(e.Arrived); !known {
				raw = now.Raw
			}
		}
		j.receiver.hear(now, raw, e)
	case Satellites:
		j.receiver.satellites = &e.Used
	case Pulse:
		j.receiver.feel(j.past, e)
	case Daemon:
		j.daemon.hear(now, e)
		if e.Synchronised && !e.Local && e.Servers >= 2 {
			j.leap.announce(now.Raw, e.Leap)
		}
	case Temperature:
		j.celsius, j.warmAt = &e.Celsius, now.Raw
	}
}

// look sees whether the machine slept, the wall clock was stepped, or a leap
// second came since the last look.
func (j *Judge) look(now Instant) {
	slept := (now.Boot - j.now.Boot) - (now.Awake - j.now.Awake)
	if j.looked && slept.Abs() > stepped {
		j.receiver, j.daemon, j.past = receiver{}, daemon{}, nil
		j.own.forget()
		j.asleep = true
	}
	if !j.looked {
		j.changed = now.Raw
	}
	if j.celsius != nil && now.Raw-j.warmAt > 5*time.Minute {
		j.celsius = nil
	}
	j.past.add(now)
	j.now, j.looked = now, true
	e, known := j.own.now(now.Raw)
	j.cross(e.zero.Add(now.Raw), known)
	j.settled()
}

// Verdict says what is known now.
func (j *Judge) Verdict(now Instant) Verdict {
	j.look(now)
	reason := j.decide()
	e, known := j.own.now(now.Raw)
	known = known && reason != LeapSecond
	v := Verdict{Reason: reason}
	r := &v.Reading
	if known {
		r.Known, r.Offset, r.Bound = true, e.zero.Add(now.Raw).Sub(now.Wall), e.bound
	}
	j.watchLock()
	r.Lock, r.LockSince = j.lock, now.Wall.Add(r.Offset).Add(j.changed-now.Raw)
	if j.receiver.locked(now) {
		r.Satellites = j.receiver.satellites
	}
	return v
}

// Remaining is how long it takes from the latest look on, without any further
// witness, until the bound exceeds half a second; false: the time is not known.
func (j *Judge) Remaining() (time.Duration, bool) {
	if !j.own.alone {
		j.own.learner.Model() // worked out once, and not again by each copy
	}
	alone := j.own
	alone.leave(j.now.Raw, j.config.Floor, j.celsius)
	return alone.clock.Remaining(j.now.Raw, half), alone.set
}

// Stability is how steady the machine's oscillator has been.
func (j *Judge) Stability() stability.Report { return j.own.learner.Stability() }

func (j *Judge) watchLock() {
	lock := j.lock
	locked := j.receiver.locked(j.now)
	if j.config.Daemon {
		locked = j.daemon.synchronised(j.now)
	}
	switch {
	case locked:
		lock = wirev1.Lock_LOCK_LOCKED
	case lock == wirev1.Lock_LOCK_LOCKED:
		lock = wirev1.Lock_LOCK_HOLDOVER
	}
	if lock != j.lock {
		j.lock, j.changed = lock, j.now.Raw
	}
}
