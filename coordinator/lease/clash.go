package lease

import (
	"slices"

	"lamplighter/coordinator/fleet"
)

// Reason says why something is held back or refused. The zero value: it is not.
type Reason string

// Why a transmission can't be while another may be.
const (
	SiteFull        Reason = "site_full"        // the site's transmitters at once
	SharedEquipment Reason = "shared_equipment" // one antenna or amplifier
	NotTogether     Reason = "not_together"     // two bands that never share a slot at a site
	NearBand        Reason = "near_band"        // one band at two places that count as one
	Spacing         Reason = "spacing"          // two signals too close in frequency
	BandFull        Reason = "band_full"        // the network's signals on a band
	GoneBeacon      Reason = "gone_beacon"      // a beacon that the fleet no longer has
)

// Obstacle is what stands in the way of a use.
type Obstacle struct {
	Reason Reason
	By     string // the beacon in the way, one of them
}

func (o Obstacle) none() bool { return o.Reason == "" }

// occupant is another beacon's use of the same slot.
type occupant struct {
	name   string
	beacon *fleet.Beacon // nil: the fleet no longer has it
	use    Use
}

// roundingMillihertz is what writing frequencies in whole millihertz may cost
// two signals together: each is moved by 2 at most, and its uncertainty is
// rounded up by 1.
const roundingMillihertz = 6

// clash says what stands in the way of a beacon's use among others' uses of the
// slot: all of them, or those that company finds. Several uses of one other
// beacon are ways in which it may go on the air, of which it takes one.
func clash(f *fleet.Fleet, me *fleet.Beacon, use Use, others []occupant) Obstacle {
	var atSite, onBand []string
	for _, other := range others {
		if other.name == me.Name {
			continue
		}
		them := other.beacon
		if them == nil {
			return Obstacle{GoneBeacon, other.name}
		}
		if reason := pair(f, me, use, them, other.use); reason != "" {
			return Obstacle{reason, other.name}
		}
		if them.Site.Name == me.Site.Name {
			if atSite = joined(atSite, other.name); len(atSite) >= me.Site.TransmittersAtOnce {
				return Obstacle{SiteFull, other.name}
			}
		}
		if other.use.Band == use.Band {
			if onBand = joined(onBand, other.name); len(onBand) >= f.Network.MaxSignalsPerBand {
				return Obstacle{BandFull, other.name}
			}
		}
	}
	return Obstacle{}
}

// joined adds a name to a set of few.
func joined(names []string, name string) []string {
	if slices.Contains(names, name) {
		return names
	}
	return append(names, name)
}

// company is what may be obeyed in one slot, in the order in which a beacon that
// is to join looks for what stands in its way. In a large network most of those
// who share a slot share neither site nor band.
type company struct {
	gone           []occupant
	atSite, onBand map[string][]occupant
}

func newCompany(all []occupant) *company {
	c := &company{atSite: map[string][]occupant{}, onBand: map[string][]occupant{}}
	for _, o := range all {
		c.add(o)
	}
	return c
}

func (c *company) add(o occupant) {
	if o.beacon == nil {
		c.gone = append(c.gone, o)
		return
	}
	c.atSite[o.beacon.Site.Name] = append(c.atSite[o.beacon.Site.Name], o)
	c.onBand[o.use.Band] = append(c.onBand[o.use.Band], o)
}

// clash is clash among the whole company.
func (c *company) clash(f *fleet.Fleet, me *fleet.Beacon, use Use) Obstacle {
	for _, others := range [][]occupant{c.gone, c.atSite[me.Site.Name], c.onBand[use.Band]} {
		if obstacle := clash(f, me, use, others); !obstacle.none() {
			return obstacle
		}
	}
	return Obstacle{}
}

// pair says why two uses of one slot harm each other by themselves.
func pair(f *fleet.Fleet, a *fleet.Beacon, x Use, b *fleet.Beacon, y Use) Reason {
	if a.Site.Name == b.Site.Name {
		if slices.ContainsFunc(a.Shared, func(gear string) bool { return slices.Contains(b.Shared, gear) }) {
			return SharedEquipment
		}
		for _, two := range a.Site.NotTogether {
			if two == [2]string{x.Band, y.Band} || two == [2]string{y.Band, x.Band} {
				return NotTogether
			}
		}
	}
	switch {
	case x.Band != y.Band:
		return ""
	case f.Near(a.Site, b.Site, x.Band):
		return NearBand
	case tooClose(f, x, y):
		return Spacing
	}
	return ""
}

func tooClose(f *fleet.Fleet, x, y Use) bool {
	gap := x.FrequencyMillihertz - y.FrequencyMillihertz
	width := 2*fleet.HalfWidthHz*1000 + f.Network.Guard.MulFloor(1000) + x.UncertaintyMillihertz + y.UncertaintyMillihertz
	return max(gap, -gap)+roundingMillihertz < width
}
