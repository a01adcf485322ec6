package fleet

import (
	"math"
	"slices"

	"lamplighter/proto/onair/locator"
)

// Site returns the site with that name, or nil.
func (f *Fleet) Site(name string) *Site {
	if f.siteByName != nil {
		return f.siteByName[name]
	}
	i := slices.IndexFunc(f.Sites, func(s *Site) bool { return s.Name == name })
	if i < 0 {
		return nil
	}
	return f.Sites[i]
}

// Beacon returns the beacon with that name, or nil.
func (f *Fleet) Beacon(name string) *Beacon {
	if f.beaconByName != nil {
		return f.beaconByName[name]
	}
	i := slices.IndexFunc(f.Beacons, func(b *Beacon) bool { return b.Name == name })
	if i < 0 {
		return nil
	}
	return f.Beacons[i]
}

// index makes the lookups by name fast; Read calls it last.
func (f *Fleet) index() {
	f.siteByName = make(map[string]*Site, len(f.Sites))
	for _, s := range f.Sites {
		f.siteByName[s.Name] = s
	}
	f.beaconByName = make(map[string]*Beacon, len(f.Beacons))
	for _, b := range f.Beacons {
		f.beaconByName[b.Name] = b
	}
}

// Near tells whether two sites count as one place on a band: they are the same,
// or a pair listed as near, or closer than near_km on the sphere between the
// centres of their locators and not listed as apart.
func (f *Fleet) Near(a, b *Site, bandName string) bool {
	if a.Name == b.Name {
		return true
	}
	n := &f.Network.Near
	switch {
	case hasPair(n.Near, a.Name, b.Name):
		return true
	case hasPair(n.Apart, a.Name, b.Name):
		return false
	}
	p, q, limit := a.Locator.Centre(), b.Locator.Centre(), n.Kilometres(bandName).Float64()
	const rounding = 1e-6 // kilometres
	if math.Abs(p.Latitude-q.Latitude)*kmPerDegree > limit+rounding {
		return false // as most are: the way along the meridian alone is longer
	}
	return locator.SphereKm(p, q) < limit
}

// kmPerDegree is the length of a degree of latitude.
const kmPerDegree = locator.SphereRadiusKm * math.Pi / 180

// Kilometres returns the distance below which sites count as near on a band.
func (n *Nearness) Kilometres(bandName string) Decimal {
	if own, ok := n.ByBand[bandName]; ok {
		return own
	}
	return n.Default
}

func hasPair(pairs [][2]string, a, b string) bool {
	return slices.Contains(pairs, [2]string{a, b}) || slices.Contains(pairs, [2]string{b, a})
}
