package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Percent is a share as people read it: 99.95 %. It never rounds up to 100 or
// down to 0 what is not quite that.
func Percent(share *float64) string {
	if share == nil {
		return "–"
	}
	p := *share * 100
	for digits := 1; digits <= 4; digits++ {
		text := strconv.FormatFloat(p, 'f', digits, 64)
		rounded, _ := strconv.ParseFloat(text, 64)
		if (rounded != 100 || p == 100) && (rounded != 0 || p == 0) {
			return text + " %"
		}
	}
	return strconv.FormatFloat(p, 'g', 6, 64) + " %"
}

// change is by how many percentage points a share has changed.
func change(now, before *float64) string {
	if now == nil || before == nil {
		return ""
	}
	d := (*now - *before) * 100
	if math.Abs(d) < 0.05 {
		return "±0.0"
	}
	return fmt.Sprintf("%+.1f", d)
}

// delta is by how many a count has changed.
func delta(now, before int64) string {
	if now == before {
		return "±0"
	}
	return fmt.Sprintf("%+d", now-before)
}

// Seconds is a time in the unit that keeps it short: µs, ms or s.
func Seconds(s float64) string {
	switch {
	case s == 0:
		return "0 s"
	case s < 0.0009995:
		return Digits(s*1e6) + " µs"
	case s < 0.9995:
		return Digits(s*1e3) + " ms"
	}
	return Digits(s) + " s"
}

// Digits is a number with three significant digits.
func Digits(v float64) string {
	switch {
	case v >= 99.95:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case v >= 9.995:
		return strconv.FormatFloat(v, 'f', 1, 64)
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}

// HoursMinutes is a time in hours and minutes: 9 h 05 min.
func HoursMinutes(s float64) string {
	minutes := int64(math.Round(s / 60))
	if minutes < 60 {
		return fmt.Sprintf("%d min", minutes)
	}
	return fmt.Sprintf("%d h %02d min", minutes/60, minutes%60)
}

// Number groups digits by thousands with a space that does not break.
func Number[T int | int64](n T) string {
	text := strconv.FormatInt(int64(n), 10)
	sign := ""
	if strings.HasPrefix(text, "-") {
		sign, text = "-", text[1:]
	}
	for i := len(text) - 3; i > 0; i -= 3 {
		text = text[:i] + "\u00a0" + text[i:]
	}
	return sign + text
}

// instants tells times in UTC and in a zone.
type instants struct{ zone *time.Location }

func (i instants) utc(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") + " UTC" }

func (i instants) local(t time.Time) string { return t.In(i.zone).Format("Mon 15:04") }

func (i instants) both(t time.Time) string {
	if i.zone == time.UTC || i.zone.String() == "Etc/UTC" || i.zone.String() == "UTC" {
		return i.utc(t)
	}
	return t.UTC().Format("2006-01-02 15:04") + " UTC (" + i.local(t) + ")"
}

// span is a time with its end; the end is short where it is of the same day.
func (i instants) span(from, to time.Time) string {
	end := to.UTC().Format("15:04")
	if from.UTC().Format(time.DateOnly) != to.UTC().Format(time.DateOnly) {
		end = to.UTC().Format("2006-01-02 15:04")
	}
	return from.UTC().Format("2006-01-02 15:04") + " – " + end + " UTC"
}

// ReasonWords is a reason of an outcome in words.
func ReasonWords(reason string) string {
	if reason == "" {
		return "nothing was heard"
	}
	return strings.ReplaceAll(reason, "_", " ")
}

// Title is what the report is called.
func (r *Report) Title() string {
	title := r.Network
	if r.Scope != "" {
		title += ", " + r.Scope
	}
	return title
}

// When is the period in words.
func (r *Report) When() string {
	if r.Week != "" {
		year, week, _ := strings.Cut(r.Week, "-W")
		return "Week " + strings.TrimPrefix(week, "0") + " of " + year
	}
	return r.From.Format("2006-01-02 15:04") + " – " + r.To.Format("2006-01-02 15:04") + " UTC"
}

// kind is what sort of time the report is about.
func (r *Report) kind() string {
	if r.Week != "" {
		return "week"
	}
	return "period"
}

// Summary says in a few sentences what happened.
func (r *Report) Summary() []string {
	f := r.Figures
	if f.Ordered == 0 && f.Unordered == 0 && f.Heard == 0 {
		return []string{"Nothing was ordered, and no beacon was heard of."}
	}
	lines := []string{fmt.Sprintf("%s of %s ordered transmissions were sent, %s on the air in all.",
		Number(f.Sent), Number(f.Ordered), HoursMinutes(f.Airtime))}
	lines[0] += r.compared()
	if worst := r.leastHeard(); worst != nil {
		lines = append(lines, fmt.Sprintf("%s was heard of least: %s of the time.", worst.Beacon, Percent(worst.Uptime)))
	} else if f.Heard == f.Minutes && f.Minutes > 0 {
		lines = append(lines, "Every beacon was heard of in every minute.")
	}
	if f.OutageCount > 0 {
		lines = append(lines, fmt.Sprintf("GPS was without lock %s, %s in all.", times(f.OutageCount), HoursMinutes(float64(f.OutageMinutes)*60)))
	} else if f.Heard > 0 {
		lines = append(lines, "GPS was never without lock.")
	}
	if f.Unordered > 0 {
		lines = append(lines, fmt.Sprintf("%s went out that no order stands for: look into it.", counted(f.Unordered, "transmission")))
	}
	return lines
}

func (r *Report) compared() string {
	before := r.Before
	if before == nil || before.Ordered == 0 && before.Heard == 0 {
		return ""
	}
	return fmt.Sprintf(" The %s before: %s sent, %s on the air.", r.kind(), Number(before.Sent), HoursMinutes(before.Airtime))
}

// leastHeard is the beacon with the least uptime; nil: all were always heard.
func (r *Report) leastHeard() *Beacon {
	var worst *Beacon
	for i := range r.Beacons {
		b := &r.Beacons[i]
		if b.Uptime != nil && *b.Uptime < 1 && (worst == nil || *b.Uptime < *worst.Uptime) {
			worst = b
		}
	}
	return worst
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func counted(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return Number(n) + " " + what + "s"
}
