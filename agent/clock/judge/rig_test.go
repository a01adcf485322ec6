package judge

import "time"

var (
	build = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	began = time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
)

// rig is a machine with a receiver and a time daemon, in true time.
type rig struct {
	judge   *Judge
	utc     time.Time
	raw     time.Duration
	slept   time.Duration
	wall    time.Duration // wall clock less true time
	ppm     float64       // how fast the raw clock runs away
	celsius *float64

	silent, pulseless bool
	fix               Fix
	label             time.Duration // how wrong the receiver's second is
	stuck             bool          // it says the same second over and over
	late              time.Duration // how long after it a sentence comes
	early             time.Duration // how far the pulse lies before the second
	wild              int           // every so many pulses come half a second early
	daemon            *Daemon       // nil: silent; Offset is how wrong it is
	stepAt            time.Duration // a step of the wall clock, just after the pulse

	count int
	said  time.Time
	used  uint32
}

func newRig(config Config) *rig {
	config.Build = build
	return &rig{judge: New(config), utc: began, fix: FixReal, late: 200 * time.Millisecond, used: 7}
}

func (r *rig) now() Instant {
	boot := r.raw + r.slept
	return Instant{Wall: r.utc.Add(r.wall), Boot: boot, Awake: r.raw, Raw: r.raw}
}

func (r *rig) advance(d time.Duration) {
	r.utc = r.utc.Add(d)
	r.raw += d + time.Duration(r.ppm*1e-6*float64(d))
}

// second lives through one second, from the middle of one to that of the next.
func (r *rig) second() Verdict {
	r.count++
	r.advance(400 * time.Millisecond)
	r.judge.look(r.now())
	r.advance(100 * time.Millisecond)
	second := r.utc
	early := r.early
	if r.wild > 0 && r.count%r.wild == 0 {
		early += 500 * time.Millisecond
	}
	clock := second.Add(r.wall - early)
	r.wall, r.stepAt = r.wall+r.stepAt, 0
	if !r.stuck {
		r.said = second.Add(r.label)
	}
	r.advance(r.late)
	if r.celsius != nil {
		r.judge.Take(r.now(), Temperature{*r.celsius})
	}
	if !r.silent {
		if !r.pulseless {
			r.judge.Take(r.now(), Pulse{Real: r.said, Clock: clock, Precision: time.Millisecond})
		}
		r.judge.Take(r.now(), Sentence{Time: r.said, Fix: r.fix, Satellites: &r.used})
	}
	if r.daemon != nil {
		d := *r.daemon
		d.Offset -= r.wall
		r.judge.Take(r.now(), d)
	}
	r.advance(500*time.Millisecond - r.late)
	return r.judge.Verdict(r.now())
}

func (r *rig) seconds(n int) (v Verdict) {
	for range n {
		v = r.second()
	}
	return v
}

// wrong is by how much a reading misses the true time.
func (r *rig) wrong(v Verdict) time.Duration {
	return r.now().Wall.Add(v.Reading.Offset).Sub(r.utc)
}

// server is a daemon as good as most, that compares several servers.
func server(servers int) *Daemon {
	return &Daemon{Synchronised: true, Servers: servers, Bound: 20 * time.Millisecond, Leap: LeapNone}
}
