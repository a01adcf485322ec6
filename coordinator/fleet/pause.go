package fleet

import (
	"time"

	"lamplighter/proto/onair/slot"
)

// Recurring tells whether the pause follows a rule.
func (p *Pause) Recurring() bool { return p.Rule != "" }

// Covers tells whether the scope includes a beacon on a band.
func (s Scope) Covers(b *Beacon, bandName string) bool {
	return (s.Site == "" || s.Site == b.Site.Name) &&
		(s.Beacon == "" || s.Beacon == b.Name) &&
		(s.Band == "" || s.Band == bandName)
}

// Interval is a half-open stretch of time.
type Interval struct{ From, To time.Time }

// Intervals returns when the pause holds, in order, so far as it meets
// [from, to). A recurring pause is read on the wall clock of zone.
func (p *Pause) Intervals(zone *time.Location, from, to time.Time) []Interval {
	if p.Recurring() {
		return p.occurrences(zone, from, to)
	}
	if p.From.Before(to) && from.Before(p.To) {
		return []Interval{{p.From, p.To}}
	}
	return nil
}

// Closure is a run of slots that a pause closes for everybody in its scope
// whose site keeps the time of Zone.
type Closure struct {
	Pause      *Pause
	Site       *Site          // nil: any
	Beacon     *Beacon        // nil: any
	Zone       *time.Location // nil: any
	First, End slot.Number    // [First, End)
}

// Covers tells whether the closure holds for a beacon on a band.
func (c *Closure) Covers(b *Beacon, bandName string) bool {
	return c.coversBeacon(b) && (c.Pause.Scope.Band == "" || c.Pause.Scope.Band == bandName)
}

func (c *Closure) coversBeacon(b *Beacon) bool {
	return (c.Site == nil || c.Site == b.Site) &&
		(c.Beacon == nil || c.Beacon == b) &&
		(c.Zone == nil || c.Zone == b.Site.Zone)
}

// Closures returns what the pauses close in [first, end), pause by pause. A
// recurring pause is expanded once for each zone that its scope meets, not for
// each beacon.
func (f *Fleet) Closures(first, end slot.Number) []Closure {
	var closures []Closure
	length := f.Network.Slot
	from, to := length.Start(first), length.Start(end)
	for _, p := range f.Pauses {
		site, beacon := f.Site(p.Scope.Site), f.Beacon(p.Scope.Beacon)
		for _, zone := range f.zones(p, site, beacon) {
			for _, in := range p.Intervals(zone, from, to) {
				a, z := length.Overlapping(in.From, in.To)
				if a, z = max(a, first), min(z, end); a < z {
					closures = append(closures, Closure{p, site, beacon, zone, a, z})
				}
			}
		}
	}
	return closures
}

// Held is a stretch of time in which a pause holds for everybody in its scope
// whose site keeps the time of Zone.
type Held struct {
	Interval
	Zone *time.Location // nil: any
}

// Held tells when a pause holds, so far as that meets [from, to).
func (f *Fleet) Held(p *Pause, from, to time.Time) []Held {
	var held []Held
	for _, zone := range f.zones(p, f.Site(p.Scope.Site), f.Beacon(p.Scope.Beacon)) {
		for _, in := range p.Intervals(zone, from, to) {
			held = append(held, Held{in, zone})
		}
	}
	return held
}

// zones returns the zones in which a pause has to be expanded; a single pause is
// the same in all, which one nil stands for.
func (f *Fleet) zones(p *Pause, site *Site, beacon *Beacon) []*time.Location {
	switch {
	case !p.Recurring():
		return []*time.Location{nil}
	case beacon != nil:
		return []*time.Location{beacon.Site.Zone}
	case site != nil:
		return []*time.Location{site.Zone}
	}
	var zones []*time.Location
	seen := map[*time.Location]bool{}
	for _, s := range f.Sites {
		if !seen[s.Zone] {
			seen[s.Zone] = true
			zones = append(zones, s.Zone)
		}
	}
	return zones
}
