package fleet

import (
	"slices"
	"time"

	"github.com/teambition/rrule-go"
)

func (r *reader) pauses(v value) []*Pause {
	var pauses []*Pause
	for _, entry := range r.entries(v, mostPauses) {
		if p, ok := r.pause(entry); ok {
			pauses = append(pauses, p)
		}
	}
	return pauses
}

func (r *reader) pause(v value) (*Pause, bool) {
	o, ok := r.object(v, "a pause", "scope", "from", "to", "rrule", "start", "duration", "reason")
	if !ok {
		return nil, false
	}
	p := &Pause{}
	o.optional("scope", func(v value) { r.scope(v, &p.Scope) })
	o.optional("reason", func(v value) { p.Reason, _ = r.text(v, 200) })
	single := o.has("from") || o.has("to")
	recurring := o.has("rrule") || o.has("start") || o.has("duration")
	switch {
	case single && recurring:
		r.add(o.at, o.path(), "a pause has either from and to, or rrule, start and duration, not both")
	case recurring:
		r.recurring(o, p)
	case single:
		r.single(o, p)
	default:
		r.add(o.at, o.path(), "a pause needs from and to, or rrule, start and duration")
	}
	return p, true
}

func (r *reader) single(o *object, p *Pause) {
	read := func(key string, into *time.Time) {
		o.required(key, func(v value) {
			var at instant
			if r.parsed(v, &at) {
				*into = at.Time
			}
		})
	}
	read("from", &p.From)
	read("to", &p.To)
	if !p.From.IsZero() && !p.To.IsZero() && !p.From.Before(p.To) {
		r.add(o.at, o.path(), "the pause ends (to %s) before it begins (from %s)", p.To.Format(time.RFC3339), p.From.Format(time.RFC3339))
	}
}

func (r *reader) recurring(o *object, p *Pause) {
	started := false
	o.required("start", func(v value) { started = r.parsed(v, &p.Start) })
	o.required("duration", func(v value) { p.Length, _ = r.duration(v) })
	o.required("rrule", func(v value) {
		text, ok := r.text(v, longestRule)
		if !ok {
			return
		}
		p.Rule = text
		option, err := parseRule(text)
		if err != nil {
			r.wrong(v, "is wrong: %v", err)
		} else if started && r.neverHappens < 3 {
			r.happens(v, option, p.Start)
		}
	})
}

// happens looks at the rule's first date. That there is none is slow to find out,
// so after a few such rules no more are looked at.
func (r *reader) happens(v value, option *rrule.ROption, start LocalTime) {
	first, ok := firstDate(option, start)
	switch {
	case !ok:
		r.neverHappens++
		r.wrong(v, "never happens from %s on", start)
	case first != start:
		r.warn(v, "start %s is not a date of the rule: the first pause is at %s", start, first)
	}
}

// adviseZones warns of sites without time_zone where a recurring pause is read
// in UTC for want of it.
func (r *reader) adviseZones(f *Fleet) {
	for _, s := range f.Sites {
		at, zoneless := r.zoneless[s]
		if zoneless && slices.ContainsFunc(f.Pauses, func(p *Pause) bool {
			beacon := f.Beacon(p.Scope.Beacon)
			return p.Recurring() && (p.Scope.Site == "" || p.Scope.Site == s.Name) && (beacon == nil || beacon.Site == s)
		}) {
			r.warn(at, "site %s has no time_zone, so recurring pauses are read in UTC there", s.Name)
		}
	}
}

// scope reads to whom a pause applies.
func (r *reader) scope(v value, s *Scope) {
	o, ok := r.object(v, "a scope", "site", "beacon", "band")
	if !ok {
		return
	}
	var site *Site
	var beacon *Beacon
	o.optional("site", func(v value) {
		if site = reference(r, v, "site", r.named.sites); site != nil {
			s.Site = site.Name
		}
	})
	o.optional("beacon", func(v value) {
		if beacon = reference(r, v, "beacon", r.named.beacons); beacon != nil {
			s.Beacon = beacon.Name
		}
	})
	o.optional("band", func(v value) {
		b, ok := r.bandName(v)
		if !ok {
			return
		}
		s.Band = b.Name
		if beacon == nil {
			return
		}
		if _, uses := beacon.Use(b.Name); !uses {
			r.warn(v, "beacon %s does not use %s, so this pause changes nothing", beacon.Name, b.Name)
		}
	})
	if site != nil && beacon != nil && beacon.Site != nil && beacon.Site != site {
		r.add(o.at, o.path(), "beacon %s is not at site %s but at %s, so this scope is empty", beacon.Name, site.Name, beacon.Site.Name)
	}
}
