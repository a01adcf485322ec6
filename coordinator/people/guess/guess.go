// Package guess slows down whoever guesses passwords.
//
// Failures are counted twice: by the name that was tried, and by the address
// that it came from. Each has some that are free, for fingers that slip; from
// then on each failure doubles the wait, up to a longest one. The wait by name
// stays short, because anybody can make somebody else wait by it; the one by
// address is long. While a wait runs, a try is refused without a look at the
// password, and is no failure of its own.
package guess

import "time"

// Rule is how failures of one kind are slowed.
type Rule struct {
	Free    int           // failures without a wait
	Longest time.Duration // wait
}

// The two rules. Somebody who guesses one name from many addresses has 10 tries
// and then one a minute: at most 1,455 in a day. Somebody who tries many names
// from one address has 20 and then four an hour: at most 127 in a day.
var (
	ByName    = Rule{Free: 10, Longest: time.Minute}
	ByAddress = Rule{Free: 20, Longest: 15 * time.Minute}
)

// Forget is how long after the last failure all of them are forgotten.
const Forget = 24 * time.Hour

// Failures is what is remembered of one name or address.
type Failures struct {
	Count int
	Last  time.Time
}

// After is what is remembered after one more failure.
func (f Failures) After(now time.Time) Failures {
	if now.Sub(f.Last) >= Forget {
		f.Count = 0
	}
	return Failures{Count: f.Count + 1, Last: now}
}

// BlockedUntil is when the next try may come.
func (r Rule) BlockedUntil(f Failures) time.Time {
	over := f.Count - r.Free
	if over <= 0 {
		return f.Last
	}
	wait := r.Longest
	if over < 20 { // 2^19 s is longer than any
		wait = min(wait, time.Second<<(over-1))
	}
	return f.Last.Add(wait)
}
