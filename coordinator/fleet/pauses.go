package fleet

import "time"

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
		r.add(o.at, o.path, "a pause has either from and to, or rrule, start and duration, not both")
	case recurring:
		r.recurring(o, p)
	case single:
		r.single(o, p)
	default:
		r.add(o.at, o.path, "a pause needs from and to, or rrule, start and duration")
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
		r.add(o.at, o.path, "the pause ends (to %s) before it begins (from %s)", p.To.Format(time.RFC3339), p.From.Format(time.RFC3339))
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
		option, err := parseRule(text)
		switch {
		case err != nil:
			r.wrong(v, "is wrong: %v", err)
		case started && r.neverHappens < 3 && !happens(option, p.Start):
			r.neverHappens++ // to find this out is slow
			r.wrong(v, "never happens after %s", p.Start)
		}
		p.Rule = text
	})
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
		r.add(o.at, o.path, "beacon %s is not at site %s but at %s, so this scope is empty", beacon.Name, site.Name, beacon.Site.Name)
	}
}
