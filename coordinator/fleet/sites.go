package fleet

import (
	"time"

	"lamplighter/coordinator/zone"
	"lamplighter/proto/onair/locator"
)

var siteKeys = []string{
	"name", "locator", "time_zone", "transmitters_at_once", "not_together", "listen", "quiet_share", "duty", "alert_limits", "papers",
}

func (r *reader) sites(v value) []*Site {
	var sites []*Site
	for _, entry := range r.entries(v, mostSites) {
		if s, ok := r.site(entry); ok {
			sites = append(sites, s)
		}
	}
	return sites
}

func (r *reader) site(v value) (*Site, bool) {
	o, ok := r.object(v, "a site", siteKeys...)
	if !ok {
		return nil, false
	}
	s := &Site{Zone: time.UTC, TransmittersAtOnce: 1}
	o.required("name", func(v value) {
		if s.Name, ok = r.identifier(v); ok {
			if _, twice := r.named.sites[s.Name]; twice {
				r.wrong(v, "%q is taken by another site: give each its own", s.Name)
			}
			r.named.sites[s.Name] = s
		}
	})
	o.required("locator", func(v value) {
		if text, ok := r.text(v, 64); ok {
			place, err := locator.Parse(text)
			if err != nil {
				r.add(v.at, v.path(), "%v", err)
			}
			s.Locator = place
		}
	})
	s.Zone = r.zone("Etc/UTC")
	if !o.has("time_zone") {
		r.zoneless[s] = o.self()
	}
	o.optional("time_zone", func(v value) {
		if name, ok := r.text(v, 64); ok {
			if s.Zone = r.zone(name); s.Zone == nil {
				_, err := zone.Load(name)
				r.add(v.at, v.path(), "%v", err)
			}
		}
	})
	o.integer("transmitters_at_once", 1, 1000, &s.TransmittersAtOnce)
	o.optional("not_together", func(v value) { s.NotTogether = r.notTogether(v) })
	o.optional("listen", func(v value) { s.Listen = r.listen(v) })
	o.decimal("quiet_share", false, 1, &s.Quiet)
	o.optional("alert_limits", func(v value) { r.siteLimits[s] = v })
	o.optional("papers", func(v value) { s.Papers = r.papers(v) })
	o.optional("duty", func(v value) { s.DutyRequired = r.word(v, "required", "optional") == "required" })
	return s, true
}

// zone loads a zone once, so that sites in the same zone share it; nil when
// there is none of that name.
func (r *reader) zone(name string) *time.Location {
	if loaded, ok := r.zones[name]; ok {
		return loaded
	}
	loaded, err := zone.Load(name)
	if err != nil {
		return nil
	}
	r.zones[name] = loaded
	return loaded
}

// notTogether reads groups of bands as the pairs in them.
func (r *reader) notTogether(v value) [][2]string {
	var pairs [][2]string
	for _, group := range r.entries(v, mostEntries) {
		names := r.bandNameList(group)
		if len(names) < 2 {
			r.wrong(group, "must name at least two bands, such as [40m, 20m]")
			continue
		}
		for i := range names {
			for _, other := range names[i+1:] {
				pairs = append(pairs, [2]string{names[i], other})
			}
		}
	}
	return pairs
}

// bandNameList reads a list of names of bands, each once.
func (r *reader) bandNameList(v value) []string {
	var names []string
	seen := map[string]bool{}
	for _, entry := range r.entries(v, 16) {
		b, ok := r.bandName(entry)
		switch {
		case !ok:
		case seen[b.Name]:
			r.wrong(entry, "%s stands here twice: keep one", b.Name)
		default:
			seen[b.Name] = true
			names = append(names, b.Name)
		}
	}
	return names
}

func (r *reader) listen(v value) []Listen {
	var rules []Listen
	seen := map[string]bool{}
	for _, entry := range r.entries(v, mostEntries) {
		o, ok := r.object(entry, "a listen rule", "band", "share")
		if !ok {
			continue
		}
		var rule Listen
		o.required("band", func(v value) {
			b, ok := r.bandName(v)
			if ok && seen[b.Name] {
				r.wrong(v, "%s has a listen rule already: keep one", b.Name)
			}
			seen[b.Name] = true
			rule.Band = b.Name
		})
		o.required("share", func(value) {})
		o.decimal("share", false, 1, &rule.Share)
		rules = append(rules, rule)
	}
	return rules
}
