package judge

import (
	"time"

	"lamplighter/agent/clock/holdover"
)

// origin says what a claim rests on.
type origin int

const (
	bySentences origin = iota
	byPulse
	byDaemon
)

// claim is what one witness says, and what its word is worth.
type claim struct {
	estimate
	by     origin
	mature bool // not a receiver that may lack the leap seconds
	sure   bool // counts as two witnesses of the whole second
}

// half is the widest bound with which a clock still tells one second from the
// next.
const half = 500 * time.Millisecond

// own is the judge's own clock.
type own struct {
	set      bool
	estimate               // as of at
	at       time.Duration // raw
	clock    holdover.Holdover
	alone    bool
	learner  holdover.Learner
	learned  origin    // what kind of claim it learned from
	from     time.Time // what the learner's time errors are counted from
}

// now is what the own clock says.
func (o *own) now(raw time.Duration) (estimate, bool) {
	if !o.set {
		return estimate{}, false
	}
	return estimate{zero: o.zero.Add(o.clock.Correction(raw)), bound: o.clock.Bound(raw)}, true
}

// follow sets the clock by a witness. Between two looks at a witness no model
// is used: it may have been learned from a witness that creeps away.
func (o *own) follow(raw time.Duration, e estimate) {
	o.set, o.estimate, o.at, o.alone = true, e, raw, false
	o.clock = holdover.Start(raw, e.bound, nil, 0)
}

// learn takes in the time error that a witness shows.
func (o *own) learn(raw time.Duration, c claim, celsius *float64) {
	if o.from.IsZero() || o.learned != c.by {
		o.unlearn()
		o.from, o.learned = c.zero, c.by
	}
	o.learner.Add(raw, c.zero.Sub(o.from).Seconds(), c.bound.Seconds(), celsius)
}

func (o *own) unlearn() { o.learner, o.from = holdover.Learner{}, time.Time{} }

// leave makes the clock go on alone from the last good moment. Only now is the
// model asked.
func (o *own) leave(raw time.Duration, floor float64, celsius *float64) {
	if !o.set {
		return
	}
	if !o.alone {
		o.alone = true
		o.clock = holdover.Start(o.at, o.bound, o.learner.Model(), floor)
	}
	o.clock.Watch(raw, celsius)
}

func (o *own) forget() { *o = own{} }
