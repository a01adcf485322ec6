package judge

import "time"

// Instant is one moment on the machine's clocks.
type Instant struct {
	Wall  time.Time     // may be wrong, and may be stepped
	Boot  time.Duration // since the kernel started, suspended time included
	Awake time.Duration // since the kernel started, suspended time not included
	Raw   time.Duration // as Awake, but never slewed: the bare oscillator
}

// free is how fast the bare oscillator may run away, in seconds per second.
const free = 50e-6

func drift(age time.Duration) time.Duration { return time.Duration(free * float64(age.Abs())) }

// An estimate says when the raw clock was zero: at zero, give or take bound.
type estimate struct {
	zero  time.Time
	bound time.Duration
}

func (e estimate) wider(by time.Duration) estimate {
	e.bound += by
	return e
}

func (e estimate) agrees(with estimate) bool {
	return e.zero.Sub(with.zero).Abs() <= e.bound+with.bound
}

// spanning is the estimate whose interval just holds both.
func (e estimate) spanning(with estimate) estimate {
	apart := with.zero.Sub(e.zero)
	low, high := min(-e.bound, apart-with.bound), max(e.bound, apart+with.bound)
	return estimate{zero: e.zero.Add((low + high) / 2), bound: (high-low)/2 + 1}
}

// stepped is how far wall and raw clock may part between two looks; more is a
// step of the wall clock.
const stepped = 10 * time.Millisecond

// past are the latest looks at the clocks, oldest first, none of them before
// the latest step of the wall clock.
type past []Instant

func (p *past) add(now Instant) {
	q := *p
	if len(q) > 0 {
		last := q[len(q)-1]
		if (now.Wall.Sub(last.Wall) - (now.Raw - last.Raw)).Abs() > stepped {
			q = q[:0]
		}
	}
	for len(q) > 0 && (now.Raw-q[0].Raw > lasts || len(q) >= 64) {
		q = q[1:]
	}
	*p = append(q, now)
}

// at finds the raw time at which the wall clock showed wall, and how wrong that
// may be since the wall clock is being slewed; false: before the latest step, or
// longer ago than anything is remembered.
func (p past) at(wall time.Time) (raw, unsure time.Duration, ok bool) {
	for i := len(p) - 1; i > 0; i-- {
		from, to := p[i-1], p[i]
		if wall.Before(from.Wall) || wall.After(to.Wall) {
			continue
		}
		slewed := (to.Wall.Sub(from.Wall) - (to.Raw - from.Raw)).Abs()
		return from.Raw + wall.Sub(from.Wall), slewed, true
	}
	return 0, 0, false
}
