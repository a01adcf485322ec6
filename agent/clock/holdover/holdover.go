package holdover

import "time"

const (
	// Floor is how fast the bound grows at the least, unless told otherwise.
	Floor = 0.5e-6
	// Disciplined is how fast a clock may run away at the least whose frequency
	// offset is known, but from conditions that don't hold any more.
	Disciplined = 10e-6
	// Free is how fast one may run away of which nothing is known.
	Free = 50e-6
)

// margin is how far the temperature may leave what a model has seen, in kelvin.
const margin = 1

// Holdover is a clock that runs on alone since its last good moment.
type Holdover struct {
	at    time.Duration
	bound time.Duration // how wrong it was then
	floor float64
	model *Model // nil: none
	left  time.Duration
}

// Start begins at the last good moment; bound is how wrong the clock was then,
// model what was learned of it (nil: nothing), floor the least growth of the
// bound in seconds per second, at least 0.
func Start(at, bound time.Duration, model *Model, floor float64) Holdover {
	h := Holdover{at: at, bound: bound, floor: floor, model: model, left: at}
	if model != nil && !(model.Growth.Frequency < Free) {
		h.model = nil // it knows less than nothing
	}
	if h.model != nil {
		h.left = model.At + model.Span
	}
	return h
}

// Watch leaves the model for good if it does not hold at this temperature;
// celsius nil: not measured.
func (h *Holdover) Watch(now time.Duration, celsius *float64) {
	if h.model == nil || now >= h.left {
		return
	}
	holds := celsius != nil && *celsius >= h.model.Coldest-margin && *celsius <= h.model.Warmest+margin
	if !holds {
		h.left = max(h.at, now)
	}
}

// Correction is by how much the clock has run away since the last good moment,
// as far as the model can tell.
func (h Holdover) Correction(now time.Duration) time.Duration {
	if h.model == nil {
		return 0
	}
	valid := max(0, min(now, h.left)-h.at)
	curve := h.model.Curve
	curve.Offset = 0
	curve.Frequency += curve.Drift * (h.at - h.model.At).Seconds()
	corrected := curve.at(valid.Seconds())
	if alone := now - max(h.at, h.left); alone > 0 {
		corrected += (curve.Frequency + curve.Drift*valid.Seconds()) * alone.Seconds()
	}
	return seconds(corrected)
}

// Bound is how wrong the corrected clock may be.
func (h Holdover) Bound(now time.Duration) time.Duration {
	valid := max(0, min(now, h.left)-h.at)
	bound := h.bound + seconds(h.floor*valid.Seconds())
	worst := Free
	if h.model != nil {
		growth := h.model.Growth
		growth.Offset = h.bound.Seconds()
		growth.Frequency += growth.Drift * (h.at - h.model.At).Abs().Seconds()
		bound = max(bound, growth.At(valid))
		worst = max(Disciplined, growth.Frequency+growth.Drift*valid.Seconds())
	}
	if alone := now - max(h.at, h.left); alone > 0 {
		bound += seconds(worst * alone.Seconds())
	}
	return min(bound, longest)
}

// Remaining is how long it takes from now until the bound exceeds limit, if
// the temperature stays as it is; 0 if it does now.
func (h Holdover) Remaining(now, limit time.Duration) time.Duration {
	within, beyond := now, now+longest
	if h.Bound(within) > limit {
		return 0
	}
	for beyond-within > time.Millisecond {
		if middle := within + (beyond-within)/2; h.Bound(middle) > limit {
			beyond = middle
		} else {
			within = middle
		}
	}
	return within - now
}
