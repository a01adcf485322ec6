package fleet

import (
	"slices"
	"strings"

	"lamplighter/proto/onair/wspr"
)

var beaconKeys = []string{
	"name", "callsign", "site", "control", "announce", "power_dbm", "licence", "share", "rest", "shared",
	"max_in_30min", "filters", "plugged", "uncertainty_ppm", "bands", "paused", "priority",
	"alert_limits", "papers", "notes",
}

// Bounds of what is noted of a beacon.
const (
	mostNotes   = 50
	longestNote = 500
)

func (r *reader) beacons(v value) []*Beacon {
	var beacons []*Beacon
	for _, entry := range r.entries(v, mostBeacons) {
		if b, ok := r.beacon(entry, len(beacons)); ok {
			beacons = append(beacons, b)
		}
	}
	return beacons
}

// beacon reads one beacon; index is its place among those that were read.
func (r *reader) beacon(v value, index int) (*Beacon, bool) {
	o, ok := r.object(v, "a beacon", beaconKeys...)
	if !ok {
		return nil, false
	}
	b := &Beacon{Announce: 4, Uncertainty: Ratio(5, 100), Priority: Whole(1)}
	o.required("name", func(v value) {
		if b.Name, ok = r.identifier(v); ok {
			if _, twice := r.named.beacons[b.Name]; twice {
				r.wrong(v, "%q is taken by another beacon: give each its own", b.Name)
			}
			r.named.beacons[b.Name] = b
		}
	})
	o.required("site", func(v value) { b.Site = reference(r, v, "site", r.named.sites) })
	r.station(o, b)
	r.airtime(o, b)
	o.optional("filters", func(v value) { b.Filters = r.filters(v) })
	o.optional("plugged", func(v value) { r.plugged(v, b) })
	r.uses(o, b, index)
	r.licence(o, b)
	o.optional("alert_limits", func(v value) { r.beaconLimits[b] = v })
	o.optional("papers", func(v value) { b.Papers = r.papers(v) })
	o.optional("notes", func(v value) {
		for _, entry := range r.entries(v, mostNotes) {
			if note, ok := r.text(entry, longestNote); ok {
				b.Notes = append(b.Notes, note)
			}
		}
	})
	return b, true
}

// station reads what goes on the air: call sign and locator.
func (r *reader) station(o *object, b *Beacon) {
	o.required("callsign", func(v value) {
		text, ok := r.text(v, 32)
		if !ok {
			return
		}
		if err := wspr.CheckCallsign(text); err != nil {
			r.add(v.at, v.path(), "%v", err)
			return
		}
		b.Callsign = strings.ToUpper(text)
	})
	o.optional("announce", func(v value) {
		n, ok := r.integer(v, 4, 6)
		if ok && n == 5 {
			r.wrong(v, "must be 4 or 6 characters of the locator, not 5")
		}
		b.Announce = Announce(n)
	})
	if b.Site == nil || b.Callsign == "" {
		return
	}
	if b.Pairs() && b.Site.Locator.Len() == 4 {
		r.add(o.at, o.path(), "beacon %s announces six characters of its locator%s, but site %s has only %s: give the site's locator with six characters",
			b.Name, compoundReason(b), b.Site.Name, b.Site.Locator)
	} else if b.Announce == 4 && wspr.Compound(b.Callsign) {
		r.warn(o.self(), "call sign %s has an add-on, so it goes on the air as a pair whose second half has six characters of the locator, not 4", b.Callsign)
	}
}

func compoundReason(b *Beacon) string {
	if b.Announce == 4 {
		return " (a call sign with '/' always does)"
	}
	return ""
}

// Pairs tells whether the beacon's message is a pair of transmissions: a full
// one and an extended one.
func (b *Beacon) Pairs() bool { return b.Announce == 6 || wspr.Compound(b.Callsign) }

// airtime reads how much the beacon wants to be on the air and what limits it.
func (r *reader) airtime(o *object, b *Beacon) {
	o.required("share", func(value) {})
	o.decimal("share", false, 1, &b.Share)
	o.integer("rest", 0, 100_000, &b.Rest)
	o.integer("max_in_30min", 1, 15, &b.MaxIn30Min)
	o.decimal("priority", true, 1_000_000, &b.Priority)
	o.optional("paused", func(v value) { b.Paused, _ = r.boolean(v) })
	if !o.has("uncertainty_ppm") {
		r.warn(o.self(), "beacon %s states no uncertainty_ppm: %s is assumed, which takes a disciplined oscillator", b.Name, b.Uncertainty)
	}
	o.decimal("uncertainty_ppm", false, 10_000, &b.Uncertainty)
	o.optional("shared", func(v value) {
		for _, entry := range r.entries(v, mostEntries) {
			name, ok := r.text(entry, 64)
			if ok && slices.Contains(b.Shared, name) {
				r.wrong(entry, "%q stands here twice: keep one", name)
			}
			b.Shared = append(b.Shared, name)
		}
	})
}

func (r *reader) filters(v value) []Filter {
	var filters []Filter
	for _, entry := range r.entries(v, mostEntries) {
		o, ok := r.object(entry, "a filter", "name", "passes", "fitted")
		if !ok {
			continue
		}
		var f Filter
		o.required("name", func(v value) {
			f.Name, _ = r.text(v, 64)
			if slices.ContainsFunc(filters, func(other Filter) bool { return other.Name == f.Name }) {
				r.wrong(v, "%q is taken by another filter: give each its own", f.Name)
			}
		})
		o.required("passes", func(v value) { f.Passes = r.bandNameList(v) })
		o.required("fitted", func(v value) {
			word := r.word(v, "relay", "plug")
			f.Plug = word == "plug"
		})
		filters = append(filters, f)
	}
	return filters
}

func (r *reader) plugged(v value, b *Beacon) {
	name, ok := r.text(v, 64)
	if !ok {
		return
	}
	var plugs []string
	for _, f := range b.Filters {
		if f.Plug {
			plugs = append(plugs, f.Name)
		}
	}
	switch {
	case slices.Contains(plugs, name):
		b.Plugged = name
	case len(plugs) == 0:
		r.wrong(v, "names %q, but the beacon has no filter with fitted: plug", name)
	default:
		r.wrong(v, "must be %s (the filters with fitted: plug), not %q", list(plugs, "or"), name)
	}
}
