package judge

import "time"

// leap is what is known of the next leap second. Every one so far came at the
// end of June or December, UTC (ITU-R TF.460 prefers these; from memory).
type leap struct {
	announced Leap
	heard     time.Duration // raw
	shown     time.Time     // what the own clock showed when last looked at; zero: nothing
	nearest   time.Time     // the end of June or December that is nearest to that
	crossed   time.Time     // the latest of these that was crossed
	until     time.Duration // raw: until then each witness may show another second; 0: they don't
	unknown   bool          // whether nobody knew about the latest
}

// An announcement holds for this long.
const announcedFor = 12 * time.Hour

func (l *leap) announce(raw time.Duration, said Leap) {
	if said != LeapUnsaid {
		l.announced, l.heard = said, raw
	}
}

// settling is how long after a leap second each witness has got used to it.
const settling = 10 * time.Second

// end is the end of June or December that is nearest to t.
func end(t time.Time) time.Time {
	nearest := time.Date(t.Year(), 1, 1, 0, 0, 0, 0, time.UTC)
	for _, e := range []time.Time{time.Date(t.Year(), 7, 1, 0, 0, 0, 0, time.UTC), time.Date(t.Year()+1, 1, 1, 0, 0, 0, 0, time.UTC)} {
		if t.Sub(e).Abs() < t.Sub(nearest).Abs() {
			nearest = e
		}
	}
	return nearest
}

// cross applies what was announced when the own clock comes to the end of June
// or December; known says whether it shows a time, t.
func (j *Judge) cross(t time.Time, known bool) {
	l := &j.leap
	before := l.shown
	l.shown = time.Time{}
	if !known {
		return
	}
	l.shown = t
	if l.nearest.Sub(t).Abs() > 90*24*time.Hour {
		l.nearest = end(t)
	}
	e := l.nearest
	certain := l.announced != LeapUnsaid && j.now.Raw-l.heard <= announcedFor
	due := e
	if certain {
		due = e.Add(-2 * time.Second) // before a minute of 59 seconds ends
	}
	if before.IsZero() || !before.Before(due) || t.Before(due) || !e.After(l.crossed) {
		return
	}
	l.crossed, l.unknown = e, !certain
	if !certain || l.announced != LeapNone {
		l.until = j.now.Raw + e.Sub(t) + settling
	}
	switch {
	case !certain:
		j.own.forget()
	case l.announced == LeapInsert:
		j.own.zero = j.own.zero.Add(-time.Second)
		l.until += time.Second
	case l.announced == LeapDelete:
		j.own.zero = j.own.zero.Add(time.Second)
	}
	l.announced = LeapUnsaid
}

// settled forgets what the witnesses said while a leap second was applied.
func (j *Judge) settled() {
	if j.leap.until == 0 || j.now.Raw < j.leap.until {
		return
	}
	j.leap.until = 0
	j.receiver.arrivals, j.receiver.pulses, j.daemon = nil, nil, daemon{}
	j.own.unlearn()
}
