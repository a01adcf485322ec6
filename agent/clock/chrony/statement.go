package chrony

import (
	"math"
	"time"

	"github.com/facebook/time/ntp/chrony"

	"lamplighter/agent/clock/judge"
)

// localReference is the reference identifier of a daemon that follows itself.
const localReference = 0x7F7F0101

// untrusted is the stratum from which on references are clocks that nobody
// compares with anything: where a local clock is served, 10 is the default.
const untrusted = 10

// statement is what the daemon says; beside: a receiver is listened to as well.
func statement(t chrony.Tracking, sources []chrony.SourceData, now time.Time, beside bool) judge.Daemon {
	const insert, remove, unsynchronised = 1, 2, 3
	d := judge.Daemon{
		Synchronised: t.LeapStatus < unsynchronised && t.Stratum > 0 && t.Stratum < 16,
		Local:        t.RefID == localReference || t.Stratum >= untrusted,
		Bound:        bound(t, now.Sub(t.RefTime)),
		Leap:         judge.LeapNone,
	}
	switch t.LeapStatus {
	case insert:
		d.Leap = judge.LeapInsert
	case remove:
		d.Leap = judge.LeapDelete
	}
	for _, s := range sources {
		selected := s.State == chrony.SourceStateSync
		clock := s.Mode == chrony.SourceModeRef
		if beside && clock {
			d.Local = d.Local || selected
			continue
		}
		if (selected || s.State == chrony.SourceStateCandidate) && s.Reachability != 0 {
			d.Servers++
		}
	}
	return d
}

// bound is how wrong the wall clock may be.
func bound(t chrony.Tracking, age time.Duration) time.Duration {
	distance := Distance{RootDelay: seconds(t.RootDelay), RootDispersion: seconds(t.RootDispersion), Age: age}
	return seconds(math.Abs(t.CurrentCorrection)) + distance.Root()
}

// seconds makes a duration of at least 0 and at most a year; what is no number
// is a year.
func seconds(s float64) time.Duration {
	const year = 365 * 24 * time.Hour
	if !(s < year.Seconds()) {
		return year
	}
	return time.Duration(math.Max(0, s) * float64(time.Second))
}
