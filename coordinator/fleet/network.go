package fleet

import (
	"strings"

	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/spelling"
)

var networkKeys = []string{
	"name", "id", "slot_seconds", "near_km", "near", "apart", "max_signals_per_band", "guard_hz", "bands", "time_zone",
}

// network reads all but the pairs of sites; nil when there is no map.
func (r *reader) network(v value, n *Network) *object {
	o, ok := r.object(v, "the network", networkKeys...)
	if !ok {
		return nil
	}
	o.required("name", func(v value) {
		if name, ok := r.text(v, 200); ok {
			n.Name, n.ID = name, idOf(name)
			if !o.has("id") && len(n.ID) > 64 {
				r.wrong(v, "is too long to make an id from: add the key id")
			}
		}
	})
	o.optional("id", func(v value) {
		if id, ok := r.identifier(v); ok {
			n.ID = id
		}
	})
	o.optional("slot_seconds", func(v value) { r.slotLength(v, &n.Slot) })
	r.calendar(o, n)
	o.integer("max_signals_per_band", 1, 1000, &n.MaxSignalsPerBand)
	o.decimal("guard_hz", false, 1000, &n.Guard)
	o.optional("bands", func(v value) { r.bandOverrides(v, n) })
	r.bands = n.Bands
	o.optional("near_km", func(v value) { r.nearKm(v, &n.Near) })
	return o
}

// idOf makes an id from a network's name: lower case, other characters to '-'.
func idOf(name string) string {
	return strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' {
			return c
		}
		return '-'
	}, strings.ToLower(name))
}

func (r *reader) slotLength(v value, into *slot.Length) {
	n, ok := r.integer(v, 2, 3600)
	if !ok {
		return
	}
	length := slot.Length(n)
	if err := length.Check(); err != nil {
		r.wrong(v, "is wrong: %v", err)
		return
	}
	if length != slot.Standard {
		r.warn(v, "slot_seconds %d is for trials: no receiver understands slots other than %d s", n, slot.Standard)
	}
	*into = length
}

// farthestKm is half of the way round the Earth, rounded up.
const farthestKm = 20038

func (r *reader) nearKm(v value, near *Nearness) {
	if found := v.found(); found != "a map" {
		if d, ok := r.decimal(v, false, farthestKm); ok {
			near.Default = d
		}
		return
	}
	pairs, _ := r.pairs(v, "near_km")
	near.ByBand = map[string]Decimal{}
	for _, p := range pairs {
		name := p.value.name
		_, known := r.bands.Lookup(name)
		if !known && name != "default" {
			guess := r.bands.Suggest(name)
			if guess == "" {
				guess = spelling.Nearest(name, []string{"default"})
			}
			r.add(p.key, p.value.path(), "near_km has bands and default as keys, not %.40q%s", name, didYouMean(guess))
			continue
		}
		d, ok := r.decimal(p.value, false, farthestKm)
		switch {
		case !ok:
		case known:
			near.ByBand[name] = d
		default:
			near.Default = d
		}
	}
}

func didYouMean(guess string) string {
	if guess == "" {
		return ""
	}
	return "; did you mean " + guess + "?"
}

// bandOverrides reads the network's own bands; what one of the built-in table
// does not state stays as it is there.
func (r *reader) bandOverrides(v value, n *Network) {
	var own []band.Band
	seen := map[string]bool{}
	for _, entry := range r.entries(v, mostEntries) {
		b, ok := r.bandOverride(entry)
		switch {
		case !ok:
		case seen[b.Name]:
			r.add(entry.at, entry.path(), "band %s is given twice: keep one of them", b.Name)
		default:
			seen[b.Name] = true
			own = append(own, b)
		}
	}
	table, err := n.Bands.With(own...)
	if err != nil {
		r.wrong(v, "are wrong: %v", err)
		return
	}
	n.Bands = table
}

func (r *reader) bandOverride(v value) (band.Band, bool) {
	o, ok := r.object(v, "a band", "name", "dial_hz", "window_hz")
	if !ok {
		return band.Band{}, false
	}
	before := len(r.findings)
	b := band.Band{WindowHz: [2]int64{1400, 1600}}
	o.required("name", func(v value) {
		if name, ok := r.text(v, 64); ok {
			if known, ok := band.Standard().Lookup(name); ok {
				b = known
			}
			b.Name = name
		}
	})
	dial := func(v value) { b.DialHz, _ = r.integer(v, 1, highestHz) }
	if b.DialHz == 0 {
		o.required("dial_hz", dial)
	} else {
		o.optional("dial_hz", dial)
	}
	o.optional("window_hz", func(v value) {
		edges := r.entries(v, 2)
		if len(edges) != 2 {
			r.wrong(v, "must be the lowest and highest audio frequency, such as [1400, 1600]")
			return
		}
		for i, edge := range edges {
			b.WindowHz[i], _ = r.integer(edge, 0, 100_000)
		}
	})
	if len(r.findings) > before {
		return b, false
	}
	if err := b.Check(); err != nil {
		r.add(v.at, v.path(), "%v", err)
		return b, false
	}
	return b, true
}

// nearPairs reads near and apart, once the sites are known.
func (r *reader) nearPairs(o *object, near *Nearness) {
	o.optional("near", func(v value) { near.Near = r.sitePairs(v) })
	o.optional("apart", func(v value) {
		near.Apart = r.sitePairs(v)
		for _, pair := range near.Apart {
			if hasPair(near.Near, pair[0], pair[1]) {
				r.wrong(v, "holds %s and %s, which stand under near too: keep one", pair[0], pair[1])
			}
		}
	})
}

func (r *reader) sitePairs(v value) [][2]string {
	var pairs [][2]string
	for _, entry := range r.entries(v, mostPairs) {
		ends := r.entries(entry, 2)
		if len(ends) != 2 {
			r.wrong(entry, "must be two sites, such as [hilltop, mill]")
			continue
		}
		a := reference(r, ends[0], "site", r.named.sites)
		b := reference(r, ends[1], "site", r.named.sites)
		switch {
		case a == nil || b == nil:
		case a == b:
			r.wrong(entry, "names site %s twice: a pair is two different sites", a.Name)
		default:
			pairs = append(pairs, [2]string{a.Name, b.Name})
		}
	}
	return pairs
}
