package judge

import "time"

const (
	// jump is how far the beginnings of the second may lie apart that pulses tell.
	jump = 10 * time.Millisecond
	// inARow is how many must have come like that.
	inARow = 4
	keep   = 8
)

// mark is an estimate that came at a moment of the raw clock.
type mark struct {
	estimate
	raw time.Duration
}

func (r *receiver) feel(p past, one Pulse) {
	raw, unsure, ok := p.at(one.Clock)
	if !ok || r.sentence.Fix != FixReal {
		return // from before a step of the wall clock, or from a receiver that runs free
	}
	e := estimate{zero: one.Real.Add(-raw), bound: max(0, one.Precision) + unsure}
	r.pulses = latest(r.pulses, mark{e, raw}, keep)
}

// pulsed is what the pulses say; Silent: there have not been enough lately.
func (r *receiver) pulsed(now Instant) (estimate, Reason) {
	n := len(r.pulses)
	if n < inARow || now.Raw-r.pulses[n-1].raw > lasts {
		return estimate{}, Silent
	}
	newest := r.pulses[n-1]
	spread := time.Duration(0)
	for _, p := range r.pulses {
		spread = max(spread, newest.zero.Sub(p.zero).Abs())
	}
	if spread > jump || newest.raw-r.pulses[n-inARow].raw > inARow*lasts {
		return estimate{}, WildPulses
	}
	return newest.wider(spread + drift(now.Raw-newest.raw)), Agreed
}
