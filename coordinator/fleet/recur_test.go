package fleet

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// occur expands a rule for the years 1997 to 2010.
func occur(t *testing.T, rule, start, zone string) string {
	t.Helper()
	wall, err := time.Parse(localLayout, start)
	if err != nil {
		t.Fatal(err)
	}
	p := Pause{Rule: rule, Start: LocalTime{wall}, Length: time.Minute}
	if _, err := parseRule(rule); err != nil {
		t.Fatal(err)
	}
	var times []string
	for _, in := range p.Intervals(location(t, zone), time.Date(1997, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2010, 1, 1, 0, 0, 0, 0, time.UTC)) {
		times = append(times, in.From.Format("2006-01-02T15:04Z"))
	}
	return strings.Join(times, " ")
}

// TestRulesOfRFC5545 expands examples of RFC 5545 (2009), 3.8.5.3.
func TestRulesOfRFC5545(t *testing.T) {
	tests := []struct{ rule, start, want string }{
		{"FREQ=DAILY;COUNT=3", "1997-09-02T09:00:00", "1997-09-02T09:00Z 1997-09-03T09:00Z 1997-09-04T09:00Z"},
		{"FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T170000Z", "1997-09-02T09:00:00", "1997-09-02T09:00Z 1997-09-02T12:00Z 1997-09-02T15:00Z"},
		{
			"FREQ=WEEKLY;INTERVAL=2;WKST=SU;COUNT=8;BYDAY=TU,TH", "1997-09-02T09:00:00",
			"1997-09-02T09:00Z 1997-09-04T09:00Z 1997-09-16T09:00Z 1997-09-18T09:00Z 1997-09-30T09:00Z 1997-10-02T09:00Z 1997-10-14T09:00Z 1997-10-16T09:00Z",
		},
		{"FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-08-05T09:00:00", "1997-08-05T09:00Z 1997-08-10T09:00Z 1997-08-19T09:00Z 1997-08-24T09:00Z"},
		{"FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997-08-05T09:00:00", "1997-08-05T09:00Z 1997-08-17T09:00Z 1997-08-19T09:00Z 1997-08-31T09:00Z"},
		{"FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01-15T09:00:00", "2007-01-15T09:00Z 2007-01-30T09:00Z 2007-02-15T09:00Z 2007-03-15T09:00Z 2007-03-30T09:00Z"},
	}
	for _, tt := range tests {
		if got := occur(t, tt.rule, tt.start, "Etc/UTC"); got != tt.want {
			t.Errorf("%s from %s:\n got %s\nwant %s", tt.rule, tt.start, got, tt.want)
		}
	}
}

// A rule has the same dates in a few days as in all the years since it began.
func TestAPartOfARuleIsThatOfTheWhole(t *testing.T) {
	zone := location(t, "America/New_York")
	rapid.Check(t, func(t *rapid.T) {
		rule := rapid.SampledFrom([]string{"FREQ=HOURLY", "FREQ=DAILY", "FREQ=WEEKLY", "FREQ=MONTHLY", "FREQ=YEARLY"}).Draw(t, "freq")
		rule += rapid.SampledFrom([]string{"", ";INTERVAL=2", ";INTERVAL=3", ";INTERVAL=5", ";INTERVAL=25"}).Draw(t, "interval")
		rule += rapid.SampledFrom([]string{"", ";BYDAY=TU,SU", ";BYMONTH=1,2,7", ";COUNT=300", ";UNTIL=20020301T120000Z"}).Draw(t, "parts")
		rule += rapid.SampledFrom([]string{"", ";WKST=SU", ";WKST=TH", ";BYMINUTE=5,50"}).Draw(t, "more")
		if _, err := parseRule(rule); err != nil {
			t.Skip(rule)
		}
		start := time.Date(2000, 1, 1+rapid.IntRange(0, 20).Draw(t, "day"), rapid.IntRange(0, 23).Draw(t, "hour"), 30, 0, 0, time.UTC)
		p := Pause{Rule: rule, Start: LocalTime{start}, Length: time.Duration(rapid.IntRange(1, 100).Draw(t, "hours")) * time.Hour}
		from := start.Add(time.Duration(rapid.IntRange(0, 3*365*24).Draw(t, "from")) * time.Hour)
		to := from.Add(time.Duration(rapid.IntRange(1, 30*24).Draw(t, "window")) * time.Hour)
		var want []Interval
		for _, in := range p.Intervals(zone, start.Add(-24*time.Hour), to) {
			if in.To.After(from) {
				want = append(want, in)
			}
		}
		if diff := cmp.Diff(want, p.Intervals(zone, from, to)); diff != "" {
			t.Fatal(diff)
		}
	})
}

// TestRulesOnTheWallClock: a rule keeps local time through changes of offset,
// by RFC 5545, 3.3.5, in jumped and doubled hours too; a duration is elapsed.
func TestRulesOnTheWallClock(t *testing.T) {
	tests := []struct{ rule, start, want string }{
		{"FREQ=DAILY;COUNT=3", "2007-03-10T02:30:00", "2007-03-10T07:30Z 2007-03-11T07:30Z 2007-03-12T06:30Z"},
		{"FREQ=DAILY;COUNT=3", "2007-11-03T01:30:00", "2007-11-03T05:30Z 2007-11-04T05:30Z 2007-11-05T06:30Z"},
		{"FREQ=DAILY;UNTIL=20071104T053000Z", "2007-11-03T01:30:00", "2007-11-03T05:30Z 2007-11-04T05:30Z"},
		{"FREQ=DAILY;UNTIL=20071104T052959Z", "2007-11-03T01:30:00", "2007-11-03T05:30Z"},
	}
	for _, tt := range tests {
		if got := occur(t, tt.rule, tt.start, "America/New_York"); got != tt.want {
			t.Errorf("%s from %s:\n got %s\nwant %s", tt.rule, tt.start, got, tt.want)
		}
	}
	p := Pause{Rule: "FREQ=DAILY", Start: local(t, "2007-03-10T22:00:00"), Length: 6 * time.Hour}
	in := p.Intervals(location(t, "America/New_York"), time.Date(2007, 3, 11, 4, 0, 0, 0, time.UTC), time.Date(2007, 3, 11, 12, 0, 0, 0, time.UTC))
	if len(in) != 1 || in[0].From.Format(time.RFC3339) != "2007-03-11T03:00:00Z" || in[0].To.Format(time.RFC3339) != "2007-03-11T09:00:00Z" {
		t.Errorf("six hours over a jump, begun before the window: %v", in)
	}
}

func TestRefusedRules(t *testing.T) {
	for rule, want := range map[string]string{
		"FREQ=SECONDLY":                              "by the minute or second",
		"FREQ=MINUTELY;INTERVAL=30":                  "by the minute or second",
		"FREQ=DAILY;BYSECOND=1":                      "BYSECOND",
		"FREQ=HOURLY;INTERVAL=2;BYHOUR=1":            "use FREQ=DAILY with BYHOUR",
		"FREQ=DAILY;INTERVAL=0":                      "at least 1",
		"COUNT=0;FREQ=DAILY":                         "at least 1",
		"FREQ=DAILY;INTERVAL=1001":                   "at most 1000",
		"FREQ=DAILY;INTERVAL=-1":                     "interval",
		"FREQ=DAILY;COUNT=10001":                     "COUNT",
		"FREQ=DAILY;UNTIL=20261231":                  "UTC time",
		"FREQ=DAILY;UNTIL=20261231T000000":           "UTC time",
		"FREQ=DAILY;DTSTART=20260101T000000Z":        "key start",
		"FREQ=DAILY\nRDATE:20260101":                 "one line",
		"DTSTART:20260101T000000Z\nRRULE:FREQ=DAILY": "one line",
		"": "RFC 5545", "weekly": "RFC 5545", "FREQ=weekly": "RFC 5545", "FREQ=DAILY;BYFOO=1": "RFC 5545", "FREQ=DAILY;BYHOUR=25": "RFC 5545",
		"FREQ=DAILY;BYHOUR=0,1,2,3,4;BYMINUTE=0,1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19": "times a day",
		strings.Repeat("X", 201): "200",
	} {
		if _, err := parseRule(rule); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want something about %q", rule, err, want)
		}
	}
}

// TestAdviceOnRules: a start that the rule does not meet, and a site whose zone
// nobody stated, are allowed and pointed out.
func TestAdviceOnRules(t *testing.T) {
	text := strings.Replace(minimal, ", time_zone: America/New_York", "", 1)
	for pauses, want := range map[string]string{
		`{rrule: "FREQ=WEEKLY;BYDAY=MO", start: 2026-01-06T09:00:00, duration: 1h, scope: {site: a}}`: "test.yaml:11:13: start 2026-01-06T09:00:00 is not a date of the rule: the first pause is at 2026-01-12T09:00:00",
		`{rrule: "FREQ=DAILY", start: 2026-01-06T09:00:00, duration: 1h, scope: {site: a}}`:           "",
		`{rrule: "FREQ=DAILY", start: 2026-01-06T09:00:00, duration: 1h, scope: {beacon: one}}`:       "",
		`{rrule: "FREQ=DAILY", start: 2026-01-06T09:00:00, duration: 1h}`:                             "test.yaml:5:6: site b has no time_zone, so recurring pauses are read in UTC there",
		`{rrule: "FREQ=DAILY", start: 2026-01-06T09:00:00, duration: 1h, scope: {beacon: two}}`:       "test.yaml:5:6: site b has no time_zone, so recurring pauses are read in UTC there",
		`{from: 2026-01-06T09:00:00Z, to: 2026-01-06T10:00:00Z}`:                                      "",
	} {
		if got := mustRead(t, text+"\npauses:\n  - "+pauses+"\n").Warnings.Error(); got != want {
			t.Errorf("%s:\n got %s\nwant %s", pauses, got, want)
		}
	}
}
