package report

import (
	"fmt"
	"time"
)

// Period is what a report is about: [From, To).
type Period struct {
	From, To time.Time
	Zone     *time.Location // in which days and weeks are counted
	Week     string         // such as 2026-W48; empty: no whole ISO week
}

// Length is how long it lasts.
func (p Period) Length() time.Duration { return p.To.Sub(p.From) }

// ParseWeek reads an ISO week such as 2026-W48.
func ParseWeek(text string, zone *time.Location) (Period, error) {
	var year, week int
	var rest string
	n, _ := fmt.Sscanf(text+" .", "%4d-W%2d %s", &year, &week, &rest)
	if n != 3 || rest != "." || len(text) != len("2026-W48") || year < 1970 || year > 9000 {
		return Period{}, fmt.Errorf("%.20q is no week; write the year and the ISO week, such as 2026-W48", text)
	}
	p := weekOf(year, week, zone)
	if week < 1 || p.Week != text {
		return Period{}, fmt.Errorf("the year %d has no week %d", year, week)
	}
	return p, nil
}

// WeekAt is the week that an instant lies in.
func WeekAt(at time.Time, zone *time.Location) Period {
	year, week := at.In(zone).ISOWeek()
	return weekOf(year, week, zone)
}

// Before is the period before it: the week before a week, and otherwise what is
// as long.
func (p Period) Before() Period {
	if p.Week != "" {
		return WeekAt(p.From.Add(-time.Hour), p.Zone)
	}
	return Period{From: p.From.Add(-p.Length()), To: p.From, Zone: p.Zone}
}

// weekOf is the week of a year by ISO 8601: it begins on Monday, and week 1 has
// January 4 in it.
func weekOf(year, week int, zone *time.Location) Period {
	fourth := time.Date(year, time.January, 4, 0, 0, 0, 0, time.UTC)
	monday := fourth.AddDate(0, 0, 7*(week-1)-(int(fourth.Weekday())+6)%7)
	isoYear, isoWeek := monday.ISOWeek()
	return Period{
		From: startOfDay(monday, zone), To: startOfDay(monday.AddDate(0, 0, 7), zone), Zone: zone,
		Week: fmt.Sprintf("%04d-W%02d", isoYear, isoWeek),
	}
}

// startOfDay is the first instant of a date in a zone, where midnight may be
// missing or come twice.
func startOfDay(date time.Time, zone *time.Location) time.Time {
	year, month, day := date.Date()
	at := time.Date(year, month, day, 0, 0, 0, 0, zone)
	if at.Day() != day { // midnight is missing, and this is before the gap
		_, end := at.ZoneBounds()
		return end.UTC()
	}
	if begin, _ := at.ZoneBounds(); !begin.IsZero() {
		_, now := at.Zone()
		_, earlier := begin.Add(-time.Second).In(zone).Zone()
		if first := at.Add(time.Duration(now-earlier) * time.Second); first.Before(begin) && first.In(zone).Day() == day {
			return first.UTC()
		}
	}
	return at.UTC()
}

// Days are the days of the period in its zone: the instants at which they begin,
// the first held to the period.
func (p Period) Days() []time.Time {
	days := []time.Time{p.From.In(p.Zone)}
	for {
		last := days[len(days)-1]
		next := startOfDay(time.Date(last.Year(), last.Month(), last.Day()+1, 0, 0, 0, 0, time.UTC), p.Zone)
		if !next.Before(p.To) {
			return days
		}
		days = append(days, next.In(p.Zone))
	}
}
