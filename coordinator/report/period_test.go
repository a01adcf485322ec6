package report_test

import (
	"testing"
	"time"

	"lamplighter/coordinator/report"
)

// Weeks by ISO 8601. 2026 has 53 weeks, since it begins on a Thursday; the
// others are the customary examples around the turn of years: 2005-01-01 lies in
// 2004-W53, 2008-12-29 in 2009-W01, 2010-01-03 in 2009-W53.
func TestAWeekIsTheISOWeekInTheNetworksZone(t *testing.T) {
	for _, c := range []struct {
		week, zone, from, to string
		hours                float64
	}{
		{"2026-W48", "Etc/UTC", "2026-11-23T00:00:00Z", "2026-11-30T00:00:00Z", 168},
		{"2026-W48", "Europe/Berlin", "2026-11-22T23:00:00Z", "2026-11-29T23:00:00Z", 168},
		{"2026-W43", "Europe/Berlin", "2026-10-18T22:00:00Z", "2026-10-25T23:00:00Z", 169},
		{"2026-W13", "Europe/Berlin", "2026-03-22T23:00:00Z", "2026-03-29T22:00:00Z", 167},
		{"2026-W53", "Europe/Berlin", "2026-12-27T23:00:00Z", "2027-01-03T23:00:00Z", 168},
		{"2027-W01", "Europe/Berlin", "2027-01-03T23:00:00Z", "2027-01-10T23:00:00Z", 168},
		{"2004-W53", "Etc/UTC", "2004-12-27T00:00:00Z", "2005-01-03T00:00:00Z", 168},
		{"2009-W01", "Etc/UTC", "2008-12-29T00:00:00Z", "2009-01-05T00:00:00Z", 168},
		{"2009-W53", "Etc/UTC", "2009-12-28T00:00:00Z", "2010-01-04T00:00:00Z", 168},
		{"2026-W48", "Asia/Kathmandu", "2026-11-22T18:15:00Z", "2026-11-29T18:15:00Z", 168},
		{"2026-W40", "Australia/Lord_Howe", "2026-09-27T13:30:00Z", "2026-10-04T13:00:00Z", 167.5},
		// Midnight of Monday 2022-09-12 comes not there; the clock jumped on
		// Sunday 2022-09-11 from 00:00 to 01:00: the day before has 23 hours.
		{"2022-W36", "America/Santiago", "2022-09-05T04:00:00Z", "2022-09-12T03:00:00Z", 167},
	} {
		p := week(t, c.week, c.zone)
		if got := p.From.Format(time.RFC3339); got != c.from {
			t.Errorf("%s in %s begins %s, want %s", c.week, c.zone, got, c.from)
		}
		if got := p.To.Format(time.RFC3339); got != c.to {
			t.Errorf("%s in %s ends %s, want %s", c.week, c.zone, got, c.to)
		}
		if got := p.Length().Hours(); got != c.hours {
			t.Errorf("%s in %s has %v hours, want %v", c.week, c.zone, got, c.hours)
		}
		if len(p.Days()) != 7 {
			t.Errorf("%s in %s has %d days", c.week, c.zone, len(p.Days()))
		}
		if before := p.Before(); !before.To.Equal(p.From) || report.WeekAt(p.From, p.Zone).Week != c.week || report.WeekAt(p.From.Add(-1), p.Zone).Week != before.Week {
			t.Errorf("before %s in %s comes %s, until %v", c.week, c.zone, before.Week, before.To)
		}
	}
}

func TestAWrongWeekIsRefused(t *testing.T) {
	for _, text := range []string{"", "2026", "2026-W", "2026-W00", "2026-W54", "2025-W53", "2026-W1", "26-W01", "2026-W01x", "2026-w01", "-026-W01"} {
		if _, err := report.ParseWeek(text, time.UTC); err == nil {
			t.Errorf("%q is taken for a week", text)
		}
	}
}

// The day begins where midnight is missing or comes twice. In Beirut clocks went
// from 00:00 to 01:00 on Sunday 2021-03-28; in Havana from 01:00 back to 00:00
// on Sunday 2021-11-07 (IANA time zone database).
func TestADayBeginsThoughMidnightIsMissingOrComesTwice(t *testing.T) {
	for _, c := range []struct {
		week, zone string
		day        int
		want       string
	}{
		{"2021-W12", "Asia/Beirut", 6, "2021-03-27T22:00:00Z"},
		{"2021-W44", "America/Havana", 6, "2021-11-07T04:00:00Z"},
	} {
		if got := week(t, c.week, c.zone).Days()[c.day].UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("day %d of %s in %s begins %s, want %s", c.day+1, c.week, c.zone, got, c.want)
		}
	}
}

func FuzzParseWeek(f *testing.F) {
	f.Add("2026-W48")
	f.Add("2025-W53")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := report.ParseWeek(text, time.UTC)
		if err == nil && (p.Week != text || p.Length() != 7*24*time.Hour) {
			t.Errorf("%q is read as %s", text, p.Week)
		}
	})
}
