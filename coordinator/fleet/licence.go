package fleet

import "time"

// Bounds of a power in a licence, in dBm: a picowatt to a megawatt.
const (
	leastDBm = -90
	mostDBm  = 90
)

// licence reads the licence, once the powers are known.
func (r *reader) licence(o *object, b *Beacon) {
	highest := b.PowerDBm
	for _, use := range b.Bands {
		highest = max(highest, use.PowerDBm)
	}
	b.Licence.MaxPowerDBm = b.PowerDBm
	if !o.has("licence") {
		r.warn(o.self(), "beacon %s has no licence: %d dBm (power_dbm) is taken as its limit, on any of its bands and at any date", b.Name, b.PowerDBm)
	}
	o.optional("licence", func(v value) { r.licenceKeys(v, &b.Licence) })
	if highest > b.Licence.MaxPowerDBm {
		r.add(o.at, o.path(), "beacon %s sends %d dBm, but its licence allows at most %d dBm: lower power_dbm or state max_power_dbm", b.Name, highest, b.Licence.MaxPowerDBm)
	}
}

func (r *reader) licenceKeys(v value, l *Licence) {
	o, ok := r.object(v, "a licence", "max_power_dbm", "valid_from", "valid_to", "segments")
	if !ok {
		return
	}
	l.Declared = true
	o.integer("max_power_dbm", leastDBm, mostDBm, &l.MaxPowerDBm)
	var from day
	o.optional("valid_from", func(v value) {
		if r.parsed(v, &from) {
			l.ValidFrom = from.start
		}
	})
	o.optional("valid_to", func(v value) { l.ValidTo = r.lastDay(v) })
	if !l.ValidTo.IsZero() && !l.ValidFrom.Before(l.ValidTo) {
		r.add(o.at, o.path(), "the licence ends (valid_to) before it begins (valid_from)")
	}
	o.optional("segments", func(v value) {
		before := len(r.findings)
		for _, entry := range r.entries(v, mostEntries) {
			if s, ok := r.segment(entry); ok {
				l.Segments = append(l.Segments, s)
			}
		}
		if len(l.Segments) == 0 && len(r.findings) == before {
			r.wrong(v, "must hold at least one segment: leave the key out for no limits in frequency")
		}
	})
}

// lastDay reads the last day on which something is valid, as its end.
func (r *reader) lastDay(v value) time.Time {
	var last day
	if !r.parsed(v, &last) {
		return time.Time{}
	}
	return last.start.Add(24 * time.Hour)
}

func (r *reader) papers(v value) []Paper {
	var papers []Paper
	for _, entry := range r.entries(v, mostEntries) {
		o, ok := r.object(entry, "a paper", "what", "valid_to")
		if !ok {
			continue
		}
		var p Paper
		o.required("what", func(v value) { p.What, _ = r.text(v, 100) })
		o.required("valid_to", func(v value) { p.ValidTo = r.lastDay(v) })
		papers = append(papers, p)
	}
	return papers
}

func (r *reader) segment(v value) (Segment, bool) {
	o, ok := r.object(v, "a segment", "from_hz", "to_hz", "limit_dbm")
	if !ok {
		return Segment{}, false
	}
	s, before := Segment{}, len(r.findings)
	o.hertz("from_hz", &s.FromHz)
	o.hertz("to_hz", &s.ToHz)
	o.required("limit_dbm", func(v value) {
		n, _ := r.integer(v, leastDBm, mostDBm)
		s.LimitDBm = int(n)
	})
	if s.FromHz >= s.ToHz && len(r.findings) == before {
		r.add(o.at, o.path(), "the segment from %d to %d Hz is empty: from_hz must be below to_hz", s.FromHz, s.ToHz)
	}
	return s, true
}
