// Package slot counts the pieces of time in which one transmission fits.
//
// Slot n of length L covers [n·L, (n+1)·L) seconds of Unix time. With the
// standard length of 120 s slots therefore begin on even UTC minutes, and a
// slot number alone, without any zone or calendar, names an instant on every
// machine that knows UTC. Numbers before 1970 are negative; all divisions
// round down, so there is no seam at zero.
//
// Unix time has no leap seconds: in the one slot that contains a leap second
// the clock of a well-kept host is smeared or stepped by it, which is within
// the second that a receiver tolerates.
//
// Intervals are half-open everywhere, of instants as well as of slot numbers:
// [first, end) holds end−first slots, and none when they are equal.
//
// A Length must be positive; Check says whether a length from outside is one
// that days are made of. Nothing here reads a clock.
package slot

import (
	"fmt"
	"time"
)

// Length is the length of a slot in whole seconds.
type Length int64

// Standard is the length of a WSPR slot (public protocol texts: two minutes,
// beginning at even UTC minutes).
const Standard Length = 120

// Number is the number of a slot, counted from 1970-01-01T00:00:00Z.
type Number int64

const secondsPerDay = 24 * 60 * 60

// Check says why l cannot be used, or nil: it must be a positive number of
// seconds that divides the UTC day, so that every slot belongs to one day.
func (l Length) Check() error {
	if l < 1 || l > secondsPerDay || secondsPerDay%int64(l) != 0 {
		return fmt.Errorf("a slot of %d s does not divide the day: use 120 (WSPR), or for trials another divisor of 86400, such as 10 or 60", int64(l))
	}
	return nil
}

// Duration is l as a duration.
func (l Length) Duration() time.Duration { return time.Duration(l) * time.Second }

// At is the slot that contains t.
func (l Length) At(t time.Time) Number {
	seconds := t.Unix() // already rounded down, also before 1970
	n := seconds / int64(l)
	if seconds%int64(l) < 0 {
		n--
	}
	return Number(n)
}

// Start is the first instant of slot n, in UTC.
func (l Length) Start(n Number) time.Time { return time.Unix(int64(n)*int64(l), 0).UTC() }

// End is the first instant after slot n, in UTC: the start of the next one.
func (l Length) End(n Number) time.Time { return l.Start(n + 1) }

// Middle is the instant half-way through slot n, in UTC.
func (l Length) Middle(n Number) time.Time { return l.Start(n).Add(l.Duration() / 2) }

// Starting gives the slots that start in [from, to), as the half-open range
// [first, end). It is empty (first == end) when to is not after from.
func (l Length) Starting(from, to time.Time) (first, end Number) {
	first = l.startingAtOrAfter(from)
	return first, max(first, l.startingAtOrAfter(to))
}

// Overlapping gives the slots that share any instant with [from, to), as the
// half-open range [first, end). It is empty when to is not after from.
func (l Length) Overlapping(from, to time.Time) (first, end Number) {
	first = l.At(from)
	if !to.After(from) {
		return first, first
	}
	return first, l.startingAtOrAfter(to)
}

// startingAtOrAfter is the first slot that starts at t or later.
func (l Length) startingAtOrAfter(t time.Time) Number {
	n := l.At(t)
	if l.Start(n).Before(t) {
		n++
	}
	return n
}

// PerDay is the number of slots in a UTC day.
func (l Length) PerDay() int64 { return secondsPerDay / int64(l) }

// Day gives the slots [first, end) of the UTC day in which slot n starts.
func (l Length) Day(n Number) (first, end Number) {
	midnight := l.DayStart(n)
	return l.Starting(midnight, midnight.Add(secondsPerDay*time.Second))
}

// DayStart is midnight UTC of the day in which slot n starts.
func (l Length) DayStart(n Number) time.Time {
	start := l.Start(n)
	return time.Date(start.Year(), start.Month(), start.Day(), 0, 0, 0, 0, time.UTC)
}
