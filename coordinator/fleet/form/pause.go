package form

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/fleet/rewrite"
)

// The kinds of Pause.
const (
	Once  = "once"  // from one time to another
	Again = "again" // by a rule
	Dark  = "dark"  // once, and the site is switched off: nobody is told that it is silent
)

// What a pause comes again by.
const (
	Daily   = "DAILY"
	Weekly  = "WEEKLY"
	Monthly = "MONTHLY"
	ByRule  = "rule" // one of RFC 5545 that the other answers can't give
)

// Weekdays are the days of a week as rules have them, with their names.
var Weekdays = []Choice{
	{"MO", "Monday"},
	{"TU", "Tuesday"},
	{"WE", "Wednesday"},
	{"TH", "Thursday"},
	{"FR", "Friday"},
	{"SA", "Saturday"},
	{"SU", "Sunday"},
}

// Pause is a pause as a person says it.
type Pause struct {
	Kind     string
	Scope    string // "", site:mill, beacon:mill-hf
	Band     string // "": all
	From, To string // 2026-12-01T09:00 on the clock that Write is given
	Start    string // of one that comes again: the first, on each site's own clock
	Lasts    string // 6h, 1h30m
	Every    string
	Step     string // every so many days, weeks or months; "": each
	Days     []string
	Until    string // 2026-12-31, the last day; "": for ever
	Rule     string
	Reason   string
}

// clock is a time on the wall as a browser asks for it.
const clock = "2006-01-02T15:04"

var pauseKeys = []string{"scope", "site", "from", "to", "rrule", "start", "duration", "reason"}

// ReadPause says an entry of the file's pauses, or of its dark sites, on a clock.
func ReadPause(entry rewrite.Map, dark bool, zone *time.Location) Pause {
	p := Pause{Kind: Once, Reason: words(entry.Get("reason")), Every: Weekly}
	scope, _ := entry.Get("scope").(rewrite.Map)
	p.Band = words(scope.Get("band"))
	for _, kind := range []string{"site", "beacon"} {
		if name := words(scope.Get(kind)); name != "" {
			p.Scope = kind + ":" + name
		}
	}
	if dark {
		p.Kind, p.Scope = Dark, "site:"+words(entry.Get("site"))
	}
	p.From, p.To = onClock(words(entry.Get("from")), zone), onClock(words(entry.Get("to")), zone)
	if rule := words(entry.Get("rrule")); rule != "" {
		p.Kind, p.Lasts = Again, words(entry.Get("duration"))
		p.Start = strings.TrimSuffix(words(entry.Get("start")), ":00")
		p.readRule(rule, zone)
	}
	return p
}

// onClock is an instant of the file on a clock; what is none stays.
func onClock(text string, zone *time.Location) string {
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return text
	}
	if at = at.In(zone); at.Second() != 0 {
		return at.Format(clock + ":05")
	}
	return at.Format(clock)
}

// readRule takes a rule apart, if it is one that can be put together again.
func (p *Pause) readRule(rule string, zone *time.Location) {
	for part := range strings.SplitSeq(rule, ";") {
		key, value, _ := strings.Cut(part, "=")
		switch key {
		case "FREQ":
			p.Every = value
		case "INTERVAL":
			p.Step = value
		case "BYDAY":
			p.Days = strings.Split(value, ",")
		case "UNTIL":
			if at, err := time.Parse(utcCompact, value); err == nil {
				p.Until = at.In(zone).Format(time.DateOnly)
			}
		}
	}
	if p.rule(zone) != rule {
		p.Every, p.Step, p.Days, p.Until, p.Rule = ByRule, "", nil, "", rule
	}
}

// utcCompact is the form of UNTIL (RFC 5545, 3.3.5, form 2).
const utcCompact = "20060102T150405Z"

// rule puts the answers together; a last day ends on the given clock.
func (p *Pause) rule(zone *time.Location) string {
	if p.Every == ByRule {
		return p.Rule
	}
	parts := []string{"FREQ=" + p.Every}
	if p.Step != "" && p.Step != "1" {
		parts = append(parts, "INTERVAL="+p.Step)
	}
	if p.Every == Weekly && len(p.Days) > 0 {
		parts = append(parts, "BYDAY="+strings.Join(p.Days, ","))
	}
	if p.Until != "" {
		var last fleet.LocalTime
		until := p.Until // what is no day is refused with the rule
		if err := last.UnmarshalText([]byte(p.Until + "T23:59:59")); err == nil {
			until = last.In(zone).UTC().Format(utcCompact)
		}
		parts = append(parts, "UNTIL="+until)
	}
	return strings.Join(parts, ";")
}

// Write makes an entry of the file's pauses, or of its dark sites where the kind
// says so. Times that can't be read stay as they are, for package fleet to say
// what would be right.
func (p *Pause) Write(zone *time.Location) rewrite.Map {
	entry := rewrite.Map{}
	put := func(key, value string) {
		if value != "" {
			entry = entry.With(key, rewrite.Text(value), pauseKeys)
		}
	}
	kind, name, _ := strings.Cut(p.Scope, ":")
	if p.Kind == Dark {
		if kind == "site" {
			put("site", name)
		}
	} else if scope := p.scope(kind, name); len(scope) > 0 {
		entry = entry.With("scope", scope, pauseKeys)
	}
	if p.Kind == Again {
		put("rrule", p.rule(zone))
		put("start", withSeconds(p.Start))
		put("duration", p.Lasts)
	} else {
		put("from", toUTC(p.From, zone))
		put("to", toUTC(p.To, zone))
	}
	put("reason", p.Reason)
	return entry
}

func (p *Pause) scope(kind, name string) rewrite.Map {
	scope := rewrite.Map{}
	if name != "" {
		scope = append(scope, rewrite.Pair{Key: kind, Value: rewrite.Text(name)})
	}
	if p.Band != "" {
		scope = append(scope, rewrite.Pair{Key: "band", Value: rewrite.Text(p.Band)})
	}
	return scope
}

// toUTC is a time on a clock as the file has it: an hour that the clock jumps
// over or shows twice as RFC 5545, 3.3.5 has it.
func toUTC(text string, zone *time.Location) string {
	var wall fleet.LocalTime
	if err := wall.UnmarshalText([]byte(withSeconds(text))); err != nil {
		return text
	}
	return wall.In(zone).UTC().Format(time.RFC3339)
}

func withSeconds(text string) string {
	if len(text) == len(clock) {
		return text + ":00"
	}
	return text
}

// FilledPause reads the answers that a form was sent with; each gives all answers
// of a key.
func FilledPause(answers func(key string) []string) Pause {
	one := func(key string) string {
		if all := answers(key); len(all) > 0 {
			return strings.TrimSpace(all[0])
		}
		return ""
	}
	p := Pause{
		Kind: one("kind"), Scope: one("scope"), Band: one("band"), From: one("from"), To: one("to"), Start: one("start"), Lasts: one("lasts"),
		Every: one("every"), Step: one("step"), Until: one("until"), Rule: one("rule"), Reason: one("reason"),
	}
	for _, day := range Weekdays {
		if slices.Contains(answers("day"), day.Value) {
			p.Days = append(p.Days, day.Value)
		}
	}
	if step, err := strconv.Atoi(p.Step); err == nil && step == 1 {
		p.Step = ""
	}
	return p
}

// PauseField is the answer that a key of the file's pauses comes from.
func PauseField(key string) string {
	switch {
	case strings.HasPrefix(key, "scope.band"):
		return "band"
	case strings.HasPrefix(key, "scope"), key == "site":
		return "scope"
	case key == "duration":
		return "lasts"
	case key == "rrule":
		return "every"
	}
	return key
}
