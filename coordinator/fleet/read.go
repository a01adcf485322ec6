package fleet

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/spelling"
)

// Read reads a fleet file; file is its name, for findings. The error is of type
// Findings and holds everything that is wrong with the file, at once; then there
// is no fleet. What is allowed but deserves a look stands in Fleet.Warnings.
func Read(file string, text []byte) (*Fleet, error) {
	r := newReader(file)
	root := r.parse(text)
	if root == nil {
		if len(r.findings) == 0 {
			r.whole("the file is empty: it needs network, sites and beacons")
		}
		return nil, r.findings
	}
	fleet := r.fleet(r.follow(value{name: "the file"}, root))
	r.findings.sort()
	r.warnings.sort()
	if len(r.findings) > 0 {
		return nil, r.findings
	}
	fleet.Warnings = r.warnings
	return fleet, nil
}

func newReader(file string) *reader {
	return &reader{
		file:   file,
		named:  names{map[string]*Site{}, map[string]*Beacon{}},
		bandAt: map[[2]int]value{},
		zones:  map[string]*time.Location{},

		zoneless: map[*Site]value{},

		siteLimits: map[*Site]value{}, beaconLimits: map[*Beacon]value{},
	}
}

// fleet reads the sections in the order in which they refer to each other.
func (r *reader) fleet(v value) *Fleet {
	f := &Fleet{Network: defaultNetwork(), Alerts: Alerts{Limits: defaultLimits()}}
	o, ok := r.object(v, "a fleet file", "network", "sites", "beacons", "pauses", "alerts", "dark", "reports", "receivers", "public")
	if !ok {
		return f
	}
	r.bands = f.Network.Bands
	var network *object
	o.required("network", func(v value) { network = r.network(v, &f.Network) })
	o.required("sites", func(v value) { f.Sites = r.sites(v) })
	if network != nil {
		r.nearPairs(network, &f.Network.Near)
	}
	o.required("beacons", func(v value) { f.Beacons = r.beacons(v) })
	o.optional("receivers", func(v value) { f.Receivers = r.receivers(v, f.Beacons) })
	o.optional("pauses", func(v value) { f.Pauses = r.pauses(v) })
	o.optional("alerts", func(v value) { r.alerts(v, &f.Alerts) })
	o.optional("reports", func(v value) { f.Subscribers = r.subscribers(v) })
	o.optional("public", func(v value) { f.Public = r.public(v) })
	o.optional("dark", func(v value) { f.Dark = r.dark(v) })
	f.Pauses = append(f.Pauses, darkPauses(f.Dark)...)
	r.completeLimits(f)
	f.index()
	if len(r.findings) == 0 {
		r.adviseUnusable(f)
		r.adviseZones(f)
	}
	return f
}

func defaultNetwork() Network {
	return Network{
		Slot:              slot.Standard,
		Near:              Nearness{Default: Whole(30)},
		MaxSignalsPerBand: 8,
		Guard:             Whole(2),
		Bands:             band.Standard(),
	}
}

var identifier = regexp.MustCompile(`^[a-z0-9-]{1,64}$`)

// identifier reads a name that also stands in topics and file names.
func (r *reader) identifier(v value) (string, bool) {
	s, ok := r.text(v, 200)
	if !ok {
		return "", false
	}
	if !identifier.MatchString(s) {
		r.wrong(v, "must be 1 to 64 of a-z, 0-9 and '-', not %q", s)
		return "", false
	}
	return s, true
}

// bandName reads the name of a band of the table.
func (r *reader) bandName(v value) (band.Band, bool) {
	name, ok := r.text(v, 64)
	if !ok {
		return band.Band{}, false
	}
	b, known := r.bands.Lookup(name)
	if known {
		return b, true
	}
	if guess := r.bands.Suggest(name); guess != "" {
		r.add(v.at, v.path(), "there is no band %q; did you mean %s?", name, guess)
	} else {
		r.add(v.at, v.path(), "there is no band %q: add it under network, bands, or use one of %s", name, strings.Join(r.bandNames(), ", "))
	}
	return band.Band{}, false
}

func (r *reader) bandNames() []string {
	var names []string
	for _, b := range r.bands.All() {
		names = append(names, b.Name)
	}
	return names
}

// reference reads a name that must be among known, such as a site's.
func reference[T any](r *reader, v value, kind string, known map[string]*T) *T {
	name, ok := r.text(v, 200)
	if !ok {
		return nil
	}
	if found, ok := known[name]; ok {
		return found
	}
	guess := ""
	if len(r.findings) < mostGuesses {
		guess = spelling.Nearest(name, slices.Sorted(maps.Keys(known)))
	}
	r.add(v.at, v.path(), "there is no %s %q in this file%s", kind, name, didYouMean(guess))
	return nil
}

// adviseUnusable warns of bands that will never be planned.
func (r *reader) adviseUnusable(f *Fleet) {
	for i, b := range f.Beacons {
		for j, use := range b.Bands {
			if _, why := f.FitsBand(b, use); why != "" {
				r.warn(r.bandAt[[2]int{i, j}], "beacon %s can't use %s: %s", b.Name, use.Band.Name, why)
			}
		}
	}
}
