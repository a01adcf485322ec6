package fleet

import (
	"fmt"
	"time"
)

// LocalTime is a date and a time of day on a wall clock, without a zone.
type LocalTime struct {
	wall time.Time // the same figures, read as UTC
}

const localLayout = "2006-01-02T15:04:05"

// Years that a fleet file may speak of. The bound keeps recurrence rules
// cheap to expand.
const (
	firstYear = 2000
	lastYear  = 2199
)

// UnmarshalText reads exactly 2026-01-05T09:00:00: no zone, no fraction.
func (l *LocalTime) UnmarshalText(text []byte) error {
	if len(text) != len(localLayout) {
		return fmt.Errorf("%.40q is not a local time such as 2026-01-05T09:00:00, without a zone", text)
	}
	wall, err := time.Parse(localLayout, string(text))
	if err != nil {
		return fmt.Errorf("%.40q is not a local time such as 2026-01-05T09:00:00, without a zone", text)
	}
	if wall.Year() < firstYear || wall.Year() > lastYear {
		return fmt.Errorf("%.40q lies outside the years %d to %d", text, firstYear, lastYear)
	}
	l.wall = wall
	return nil
}

// String returns the form that UnmarshalText reads.
func (l LocalTime) String() string { return l.wall.Format(localLayout) }

// MarshalText returns what String returns.
func (l LocalTime) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// In returns the instant at which a wall clock in zone shows l. Where the clock
// shows it twice, the first; where it jumps over it, the instant by the offset
// in force before the jump (RFC 5545, section 3.3.5).
func (l LocalTime) In(zone *time.Location) time.Time {
	// No offset is larger than 16 hours, so the instant lies within 16 hours of
	// the same figures read as UTC: walk through the offsets in force there.
	const widest = 16 * time.Hour
	at := l.wall.Add(-widest).In(zone)
	for {
		_, offset := at.Zone()
		instant := l.wall.Add(-time.Duration(offset) * time.Second).In(zone)
		_, end := at.ZoneBounds()
		if !end.IsZero() && !end.After(at) {
			// Of a rule that goes on for ever, package time ends a year after 365
			// days: on the last day of a leap year the bounds lie in the past.
			end = at.Add(time.Hour)
		}
		if end.IsZero() || instant.Before(end) {
			return instant // by this offset, or in the jump that began it
		}
		_, next := end.Zone()
		if !l.wall.Add(-time.Duration(next) * time.Second).Before(end) {
			at = end
			continue
		}
		return instant // jumped over at end: the offset before it
	}
}
