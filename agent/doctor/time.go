package doctor

import (
	"context"
	"fmt"
	"time"

	"lamplighter/agent/clock/judge"
	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// receiver asks the agent about the GPS receiver, or listens to it.
func (p Patient) receiver(ctx context.Context, health *wirev1.Health) []Finding {
	const subject = "gps"
	if p.Receiver == nil {
		return one(subject, Unasked, "The configuration names no GPS receiver.", "")
	}
	if health != nil {
		return told(health)
	}
	ctx, cancel := context.WithTimeout(ctx, p.Listen)
	defer cancel()
	var sentences, pulses int
	var best judge.Fix
	var satellites *uint32
	err := p.Receiver.Run(ctx, func(e judge.Event) {
		switch e := e.(type) {
		case judge.Sentence:
			sentences++
			best = max(best, e.Fix)
			if e.Satellites != nil {
				satellites = e.Satellites
			}
		case judge.Satellites:
			satellites = &e.Used
		case judge.Pulse:
			pulses++
		}
	})
	used := ""
	if satellites != nil {
		used = fmt.Sprintf(" with %d satellites", *satellites)
	}
	switch {
	case sentences == 0 && ctx.Err() == nil:
		return one(subject, Wrong, fmt.Sprintf("The GPS receiver can't be heard: %v.", err), "Look whether its service runs and its cable is in; the configuration's clock section says where it is listened to.")
	case sentences == 0:
		return one(subject, Wrong, fmt.Sprintf("Nothing came from %s in %v.", p.Receiver, p.Listen), "Look at the receiver's cable, power and baud rate.")
	case best == judge.FixNone:
		return one(subject, Wrong, fmt.Sprintf("The GPS receiver speaks, and has no fix%s.", used), "Give the antenna a free view of the sky, and wait some minutes after it was switched on.")
	case best == judge.FixDoubted:
		return one(subject, Wrong, "The GPS receiver's position does not come from satellites.", "Switch off its simulation, its fixed position or its dead reckoning.")
	case pulses == 0:
		return one(subject, Note, fmt.Sprintf("The GPS receiver has a fix%s. No pulse was heard, so the time is good to some tenths of a second only.", used), "Wire the receiver's pulse, and let gpsd use it.")
	}
	return one(subject, Well, fmt.Sprintf("The GPS receiver has a fix%s, and its pulse is heard.", used), "")
}

// told is what the agent says of the receiver.
func told(health *wirev1.Health) []Finding {
	const subject = "gps"
	used := ""
	if health.Satellites != nil {
		used = fmt.Sprintf(" with %d satellites", health.GetSatellites())
	}
	if health.GetLock() == wirev1.Lock_LOCK_LOCKED {
		return one(subject, Well, fmt.Sprintf("The agent has a fix%s.", used), "")
	}
	return one(subject, Wrong, "The agent has no fix. "+judge.Reason(health.GetClockReason()).Sentence(), "Give the antenna a free view of the sky; look at the receiver's cable, power and service.")
}

// The bounds on the clock; beyond the second the beacon is silent.
const (
	clockDoubted = 100 * time.Millisecond
	clockTooBad  = 500 * time.Millisecond
)

// clock asks the agent about the clock, or listens as the agent would until it
// is known.
func (p Patient) clock(ctx context.Context, health *wirev1.Health) []Finding {
	if health != nil {
		r := reading(health)
		return append(clockFindings(r), frequency(r)...)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	limit := time.NewTimer(p.Listen)
	defer limit.Stop()
	var last core.Reading
	readings := p.Readings(ctx)
	defer func() {
		cancel()
		for range readings { // until the source has ended
		}
	}()
	for {
		select {
		case r := <-readings:
			last = r
			if r.Known && r.Bound <= clockDoubted {
				return append(clockFindings(last), frequency(last)...)
			}
		case <-limit.C:
			return append(clockFindings(last), frequency(last)...)
		}
	}
}

// reading is what the agent says of its clock.
func reading(health *wirev1.Health) core.Reading {
	r := core.Reading{
		Known: health.ClockErrorBoundNs != nil, Bound: time.Duration(health.GetClockErrorBoundNs()),
		Reason: health.GetClockReason(), FrequencyPPB: health.FrequencyUncertaintyPpb,
	}
	if health.SilentInSeconds != nil {
		left := time.Duration(health.GetSilentInSeconds()) * time.Second
		r.SilentIn = &left
	}
	return r
}

func clockFindings(r core.Reading) []Finding {
	const subject = "clock"
	why := judge.Reason(r.Reason).Sentence()
	left := ""
	if r.SilentIn != nil {
		left = fmt.Sprintf(" Without any further word the beacon falls silent in %v.", r.SilentIn.Round(time.Minute))
	}
	switch {
	case !r.Known:
		return one(subject, Wrong, "The time is not known, so the beacon is silent. "+why, "Do what the finding on GPS says, and let the machine's time daemon run with two servers or more as a second witness.")
	case r.Bound > clockTooBad:
		return one(subject, Wrong, fmt.Sprintf("The clock may be wrong by %v, and beyond %v the beacon is silent. %s", r.Bound, clockTooBad, why), "Do what the finding on GPS says.")
	case r.Bound > clockDoubted:
		return one(subject, Note, fmt.Sprintf("The clock may be wrong by %v. %s%s", r.Bound, why, left), "Give the receiver a pulse, or let the machine's time daemon run.")
	}
	return one(subject, Well, fmt.Sprintf("The time is known to %v.%s", r.Bound, left), "")
}

func frequency(r core.Reading) []Finding {
	const subject = "frequency"
	if r.FrequencyPPB == nil {
		return one(subject, Wrong, "How wrong the transmitter's frequency may be is not known, so the beacon is silent. A locked clock says nothing about the transmitter's own oscillator.",
			"Compare the oscillator with something better, and write transmitter.reference, or transmitter.uncertainty_ppb for a bound that always holds; ageing and warmth count only with a thermometer.")
	}
	return one(subject, Well, fmt.Sprintf("The transmitter's frequency may be wrong by %.0f parts per billion, which is %.2f Hz at 14 MHz.", *r.FrequencyPPB, *r.FrequencyPPB*14e-3), "")
}
