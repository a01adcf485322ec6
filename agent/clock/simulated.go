package clock

import (
	"context"
	"time"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

// Simulated is a source that says what it is told to. Its zero value has a fix
// from the start and is never wrong.
type Simulated struct {
	Offset     time.Duration // true time less the system's wall clock
	Bound      time.Duration // how wrong it says it may be, with a fix
	Satellites uint32        // how many it says it uses, with a fix
	LockAfter  time.Duration // how long the first fix takes
	// Losses are the times without a fix, from the start on, in order.
	Losses []Loss
	// FrequencyPPB is how wrong the transmitter's frequency may be, in parts
	// per billion, with a fix.
	FrequencyPPB float64
	// HoldoverPPB is by how much the frequency may be wrong in addition once
	// the fix is lost, in parts per billion.
	HoldoverPPB float64
}

// Loss is a time without a fix, counted from the start of the source.
type Loss struct{ From, To time.Duration }

// holdoverDrift is how fast a clock without a fix may run away, in seconds per
// second: 10 ppm, that of an oscillator that was disciplined until then.
const holdoverDrift = 10e-6

func simulated(file *setup.File) Simulated {
	return Simulated{
		Offset:       milliseconds(file.Clock.OffsetMS),
		Bound:        milliseconds(file.Clock.BoundMS),
		Satellites:   uint32(max(0, min(file.Clock.Satellites, 200))),
		LockAfter:    milliseconds(1000 * file.Clock.LockAfterS),
		FrequencyPPB: file.Transmitter.UncertaintyPPB,
	}
}

func milliseconds(ms float64) time.Duration { return time.Duration(ms * float64(time.Millisecond)) }

// At is what the source says when it has run for age; began is when it began.
func (s Simulated) At(age time.Duration, began time.Time) core.Reading {
	if age < s.LockAfter {
		return core.Reading{Lock: wirev1.Lock_LOCK_NONE, LockSince: began}
	}
	satellites, ppb := s.Satellites, s.FrequencyPPB
	r := core.Reading{
		Known: true, Offset: s.Offset, Bound: s.Bound, FrequencyPPB: &ppb,
		Lock: wirev1.Lock_LOCK_LOCKED, LockSince: began.Add(s.LockAfter), Satellites: &satellites,
	}
	for _, loss := range s.Losses {
		switch {
		case age < loss.From:
		case age < loss.To:
			satellites = 0
			ppb += s.HoldoverPPB
			r.Lock, r.LockSince = wirev1.Lock_LOCK_HOLDOVER, began.Add(loss.From)
			r.Bound += time.Duration(holdoverDrift * float64(age-loss.From))
		default:
			r.LockSince = began.Add(loss.To)
		}
	}
	r.SilentIn = silentIn(r)
	return r
}

// silentIn is when the bound of a clock that runs on alone reaches 0.5 s.
func silentIn(r core.Reading) *time.Duration {
	left := time.Duration(float64(500*time.Millisecond-r.Bound) / holdoverDrift)
	left = max(0, left)
	return &left
}

// Readings implements Source.
func (s Simulated) Readings(ctx context.Context) <-chan core.Reading {
	readings := make(chan core.Reading, 1)
	go func() {
		defer close(readings)
		began := time.Now()
		tick := time.NewTicker(every)
		defer tick.Stop()
		for {
			replace(readings, s.At(time.Since(began), began.UTC()))
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
		}
	}()
	return readings
}

// replace puts a reading into a channel of one, in the place of one that was
// not fetched.
func replace(readings chan core.Reading, r core.Reading) {
	select {
	case <-readings:
	default:
	}
	readings <- r
}
