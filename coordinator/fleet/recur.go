package fleet

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/teambition/rrule-go"
)

// The library expands a rule on a plain calendar: it is given the local start
// as if it were UTC, and each date that it finds is then read on the zone's
// wall clock by LocalTime.In, which settles jumped and doubled hours. UNTIL is
// an instant (RFC 5545, 3.3.10) and compared as one.

const (
	longestRule      = 200   // characters
	largestInterval  = 1000  // FREQ units
	mostTimesADay    = 96    // BYHOUR times BYMINUTE
	mostOccurrences  = 10000 // COUNT
	longestPauseDays = 366
)

var noTimes = regexp.MustCompile(`(?:^|;)(?:INTERVAL|COUNT)=0+(?:;|$)`)

// parseRule reads a recurrence rule and refuses what can't be meant for pauses
// or could take for ever to expand.
func parseRule(text string) (*rrule.ROption, error) {
	if len(text) > longestRule || strings.ContainsAny(text, "\r\n") {
		return nil, fmt.Errorf("a recurrence rule is one line of at most %d characters", longestRule)
	}
	option, err := rrule.StrToROption(text)
	if err != nil {
		return nil, fmt.Errorf("not a recurrence rule of RFC 5545: %w; write for example FREQ=WEEKLY;BYDAY=MO,WE", err)
	}
	if _, err := rrule.NewRRule(*option); err != nil {
		return nil, fmt.Errorf("not a recurrence rule of RFC 5545: %w", err)
	}
	return option, checkRule(text, option)
}

func checkRule(text string, option *rrule.ROption) error {
	switch {
	case option.Freq == rrule.SECONDLY || option.Freq == rrule.MINUTELY:
		return errors.New("a pause can't recur by the minute or second: use HOURLY, DAILY, WEEKLY, MONTHLY or YEARLY")
	case !option.Dtstart.IsZero():
		return errors.New("DTSTART does not belong in the rule: the key start says when it begins")
	case len(option.Bysecond) > 0:
		return errors.New("BYSECOND is not read: slots are longer than seconds")
	case option.Freq == rrule.HOURLY && len(option.Byhour) > 0:
		return errors.New("BYHOUR with FREQ=HOURLY is not read: use FREQ=DAILY with BYHOUR")
	case noTimes.MatchString(text):
		return errors.New("INTERVAL and COUNT must be at least 1")
	case option.Interval > largestInterval:
		return fmt.Errorf("INTERVAL must be at most %d", largestInterval)
	case option.Count < 0 || option.Count > mostOccurrences:
		return fmt.Errorf("COUNT must be from 1 to %d: leave it out for no end", mostOccurrences)
	case max(1, len(option.Byhour))*max(1, len(option.Byminute)) > mostTimesADay:
		return fmt.Errorf("BYHOUR and BYMINUTE together give more than %d times a day: use a longer duration", mostTimesADay)
	case !option.Until.IsZero() && !strings.HasSuffix(untilText(text), "Z"):
		return errors.New("UNTIL must be a UTC time such as 20271231T235959Z")
	}
	return nil
}

func untilText(rule string) string {
	for part := range strings.SplitSeq(rule, ";") {
		if value, ok := strings.CutPrefix(part, "UNTIL="); ok {
			return value
		}
	}
	return ""
}

// firstDate returns the first date of a rule on the wall clock, if it has any.
func firstDate(option *rrule.ROption, start LocalTime) (first LocalTime, ok bool) {
	dates, _ := calendar(option, start, time.Date(lastYear+1, 1, 1, 0, 0, 0, 0, time.UTC))
	first.wall, ok = dates()
	return first, ok
}

// calendar returns the local dates of a rule, as if they were UTC, up to about
// the instant end, and the instant after which none counts.
func calendar(option *rrule.ROption, start LocalTime, end time.Time) (dates rrule.Next, last time.Time) {
	own := *option
	own.Dtstart = start.wall
	last = end
	if !own.Until.IsZero() && own.Until.Before(last) {
		last = own.Until
	}
	const anyOffset = 48 * time.Hour // more than local and UTC figures can differ by
	own.Until = last.Add(anyOffset)
	rule, err := rrule.NewRRule(own)
	if err != nil { // Read has refused such a rule
		return func() (time.Time, bool) { return time.Time{}, false }, last
	}
	return rule.Iterator(), last
}

// nearer is a start that gives the same dates from an instant on: without it a
// rule that began years ago would be walked through each time. It lies whole
// intervals after the rule's own. A rule that counts needs its own start, and one
// by months or years has few dates.
func nearer(option *rrule.ROption, start LocalTime, from time.Time) LocalTime {
	unit := map[rrule.Frequency]time.Duration{rrule.HOURLY: time.Hour, rrule.DAILY: 24 * time.Hour, rrule.WEEKLY: 7 * 24 * time.Hour}[option.Freq]
	if unit == 0 || option.Count > 0 {
		return start
	}
	interval := unit * time.Duration(max(1, option.Interval))
	const anyOffset = 48 * time.Hour                                          // as above
	whole := from.Add(-anyOffset-7*24*time.Hour).Sub(start.wall)/interval - 1 // a week begins before its first date
	if whole <= 0 {
		return start
	}
	return LocalTime{start.wall.Add(whole * interval)}
}

// occurrences expands a recurring pause over [from, to) in a zone.
func (p *Pause) occurrences(zone *time.Location, from, to time.Time) []Interval {
	option, err := parseRule(p.Rule)
	if err != nil { // Read has refused such a rule
		return nil
	}
	dates, last := calendar(option, nearer(option, p.Start, from.Add(-p.Length)), to)
	var found []Interval
	for {
		wall, ok := dates()
		if !ok {
			break
		}
		begin := LocalTime{wall}.In(zone).UTC()
		if begin.After(last) || !begin.Before(to) || !begin.Add(p.Length).After(from) {
			continue
		}
		found = append(found, Interval{begin, begin.Add(p.Length)})
	}
	slices.SortStableFunc(found, func(a, b Interval) int { return a.From.Compare(b.From) })
	return found
}
