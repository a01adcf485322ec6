package core

import (
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Reading is what a clock source knows at one moment.
type Reading struct {
	Known      bool          // whether Offset and Bound mean anything
	Offset     time.Duration // true time less the system's wall clock
	Bound      time.Duration // how wrong wall clock plus Offset may be
	Lock       wirev1.Lock
	LockSince  time.Time // zero: not known
	Satellites *uint32   // used in the fix; nil: not known
	// SilentIn is how long it takes, without any further word, until the bound
	// is too large; nil: the time is not known.
	SilentIn *time.Duration
	Reason   string   // what stands against the source, or why the time is not known
	Celsius  *float64 // near the crystal; nil: not measured
	// Steadiness is that of the machine's oscillator, the same value until it is
	// measured anew; nil: not measured.
	Steadiness *wirev1.Steadiness
	// FrequencyPPB is how wrong the transmitter's frequency may be, in parts
	// per billion; nil: not known.
	FrequencyPPB *float64
}

const (
	maxBound      = 500 * time.Millisecond // more is mute
	warnBound     = 100 * time.Millisecond // more is told
	readingLasts  = 5 * time.Second
	stepTolerance = 10 * time.Millisecond // between wall and boot clock since the reading
)

type clock struct {
	reading  Reading
	known    time.Time      // true time as it was last known, zero: never
	knownAt  time.Duration  // when that was, boot time
	at       *Instant       // nil: never read
	unsureAt *time.Duration // when it was last seen to be unsure; nil: never
	doubted  bool           // whether the bound was above warnBound when last looked at
}

func (k *clock) take(r Reading, now Instant) { k.reading, k.at = r, &now }

// fresh says whether the latest reading still holds.
func (k *clock) fresh(now Instant) bool {
	if k.at == nil || now.Boot-k.at.Boot > readingLasts {
		return false
	}
	stepped := now.Wall.Sub(k.at.Wall) - (now.Boot - k.at.Boot)
	return stepped.Abs() <= stepTolerance
}

// bound is how wrong the corrected time may be; false: not known.
func (c *Core) bound() (time.Duration, bool) {
	r := c.clock.reading
	if !c.clock.fresh(c.now) || !r.Known || r.Bound < 0 || c.now.Wall.Add(r.Offset).Before(c.config.BuildDate) {
		return 0, false
	}
	return r.Bound, true
}

// frequencyPPB is how wrong the frequency may be; false: not known.
func (c *Core) frequencyPPB() (float64, bool) {
	r := c.clock.reading
	if !c.clock.fresh(c.now) || r.FrequencyPPB == nil || !(*r.FrequencyPPB >= 0) {
		return 0, false
	}
	return *r.FrequencyPPB, true
}

// time is the best that is known of the time of day: good enough to find slots,
// not to transmit in them. Where no reading holds, the boot clock carries on what
// was known last. False: nothing was known since the start, for a wall clock that
// nobody vouches for may be an hour ahead, and must not make an hour's slots look
// begun.
func (c *Core) time() (time.Time, bool) {
	if _, known := c.bound(); known {
		return c.now.Wall.Add(c.clock.reading.Offset), true
	}
	if c.clock.known.IsZero() {
		return c.now.Wall, false
	}
	return c.clock.known.Add(c.now.Boot - c.clock.knownAt), true
}

// bootAt is the boot time at which the time of day, being now t, will be when.
func (c *Core) bootAt(t, when time.Time) time.Duration {
	const most = 100 * 365 * 24 * time.Hour // far from overflow
	return c.now.Boot + max(-most, min(when.Sub(t), most))
}

// Heartbeat is what the keyer is to know of the time now.
func (c *Core) Heartbeat(now Instant) *keyerv1.ToKeyer {
	c.now = now
	beat := &keyerv1.Heartbeat{}
	if bound, known := c.bound(); known {
		ns := bound.Nanoseconds()
		beat.WallOffsetNs, beat.ClockErrorBoundNs = c.clock.reading.Offset.Nanoseconds(), &ns
	}
	if ppb, known := c.frequencyPPB(); known {
		beat.FrequencyUncertaintyPpb = &ppb
	}
	return &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Heartbeat{Heartbeat: beat}}
}

func (c *Core) watchClock() {
	if c.clock.at != nil {
		c.wakeUnlessHeard(c.clock.at.Boot + readingLasts + time.Millisecond)
	}
	bound, known := c.bound()
	if known {
		c.clock.known, c.clock.knownAt = c.now.Wall.Add(c.clock.reading.Offset), c.now.Boot
	}
	if !known || bound > maxBound {
		at := c.now.Boot
		c.clock.unsureAt = &at
	}
	doubted := known && bound > warnBound
	if doubted && !c.clock.doubted {
		c.note("clock_doubtful", "", "The clock may be wrong by "+bound.String()+"; beyond "+maxBound.String()+" the beacon falls silent.")
	}
	c.clock.doubted = doubted
}
