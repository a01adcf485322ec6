package sim

import (
	"crypto/sha256"
	"math"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

func digest(sealed []byte) string {
	sum := sha256.Sum256(sealed)
	return string(sum[:])
}

// judgePermission asks what hush, licence and the fleet's calendar say.
func (o *oracle) judgePermission(d *device, w *witness, c *carrier) {
	t := c.ordered
	if o.hushed(d, t.GetBand()) {
		o.violated("S6", d.label, "keyed on %s, which is hushed", t.GetBand())
	}
	o.judgeHush(d, t.GetBand())
	f := o.world.fleets[w.orders.version].fleet
	i := slices.IndexFunc(f.Beacons, func(b *fleet.Beacon) bool { return b.Name == d.name })
	if i < 0 {
		o.violated("S1", d.label, "keyed by orders that were written when the fleet had no such beacon")
		return
	}
	b := f.Beacons[i]
	if t.GetMessage().GetCallsign() != b.Callsign {
		o.violated("S1", d.label, "sends the call sign %s", t.GetMessage().GetCallsign())
	}
	j := slices.IndexFunc(b.Bands, func(u fleet.BandUse) bool { return u.Band.Name == t.GetBand() })
	if j < 0 {
		o.violated("S10", d.label, "keyed on %s, which is not its band", t.GetBand())
		return
	}
	if open := o.open(w.orders.version, c.slot); !open.Open(i, j, slot.Number(c.slot)) {
		o.violated("S10", d.label, "keyed on %s in slot %d, which a pause, the sun or the licence closes", t.GetBand(), c.slot)
	}
	o.judgeLicence(d, b, b.Bands[j], t)
}

// judgeHush asks whether a hush that has been in force for long has come to a
// beacon whose link has been live for long: S6.
func (o *oracle) judgeHush(d *device, band string) {
	const long = 2 * time.Minute
	w := o.world
	if !o.live(d) || w.now-d.link.began < long || w.now-w.troubled < long || d.clone {
		return
	}
	for _, i := range w.database.bound[d.name] {
		h := w.database.hushes[i]
		if !h.released && w.now-h.given > long && (h.Scope.Band == "" || h.Scope.Band == band) {
			o.violated("S6", d.label, "keyed on %s, hushed %v ago, and nobody told it though its link is live", band, w.now-h.given)
		}
	}
}

// judgeLicence asks whether the whole signal lies where and as strong as it may.
func (o *oracle) judgeLicence(d *device, b *fleet.Beacon, use fleet.BandUse, t *wirev1.Transmission) {
	centre, reach := float64(t.GetFrequencyMillihertz())/1000, 3+float64(t.GetUncertaintyMillihertz())/1000
	power := int(t.GetMessage().GetPowerDbm())
	if power > b.Licence.MaxPowerDBm {
		o.violated("S10", d.label, "%d dBm, and the licence allows %d", power, b.Licence.MaxPowerDBm)
	}
	segments := b.Licence.Segments
	if len(segments) == 0 {
		segments = []fleet.Segment{{FromHz: use.Band.LowHz(), ToHz: use.Band.HighHz(), LimitDBm: b.Licence.MaxPowerDBm}}
	}
	if !slices.ContainsFunc(segments, func(s fleet.Segment) bool {
		return centre-reach >= float64(s.FromHz)-0.01 && centre+reach <= float64(s.ToHz)+0.01 && power <= s.LimitDBm
	}) {
		o.violated("S10", d.label, "%.1f Hz and what it may be off lie in no segment that allows %d dBm", centre, power)
	}
}

// open gives the calendar of the day in which a slot lies.
func (o *oracle) open(version int, n int64) *fleet.Openings {
	first, end := slot.Standard.Day(slot.Number(n))
	key := openingKey{version, int64(first)}
	if o.openings[key] == nil {
		o.openings[key] = o.world.fleets[version].fleet.Openings(first, end)
	}
	return o.openings[key]
}

// S8: what is on the air at once must not harm each other, by the rules 2, 3, 4
// and 7 of the planning problem.
func (o *oracle) judgeNeighbours(d *device, c *carrier) {
	f := o.world.fleets[0].fleet // has every beacon, and none of the others differs in this
	me := f.Beacon(d.name)
	atSite, onBand := map[string]bool{d.name: true}, map[string]bool{d.name: true} // a beacon counts once, also with a second device
	for _, other := range o.onAir {
		if other == c || other.beyond || other.lied || other.ordered.GetBand() == "" || other.device.name == d.name {
			continue
		}
		them := f.Beacon(other.device.name)
		o.world.reach("two beacons on the air at once")
		if them.Site == me.Site {
			atSite[them.Name] = true
			if slices.ContainsFunc(me.Shared, func(gear string) bool { return slices.Contains(them.Shared, gear) }) {
				o.violated("S8", d.label, "shares equipment with %s, which is on the air", them.Name)
			}
			for _, two := range me.Site.NotTogether {
				if slices.Contains(two[:], c.ordered.GetBand()) && slices.Contains(two[:], other.ordered.GetBand()) && c.ordered.GetBand() != other.ordered.GetBand() {
					o.violated("S8", d.label, "%v are never sent together here", two)
				}
			}
		}
		if other.ordered.GetBand() != c.ordered.GetBand() {
			continue
		}
		onBand[them.Name] = true
		if near(f, me.Site, them.Site) {
			o.violated("S8", d.label, "on %s at once with %s, which is near", c.ordered.GetBand(), them.Name)
		}
		gap := math.Abs(float64(c.ordered.GetFrequencyMillihertz() - other.ordered.GetFrequencyMillihertz()))
		if gap+10 < 6000+2000+float64(c.ordered.GetUncertaintyMillihertz()+other.ordered.GetUncertaintyMillihertz()) {
			o.violated("S8", d.label, "%.0f mHz beside %s", gap, them.Name)
		}
	}
	if len(atSite) > me.Site.TransmittersAtOnce {
		o.violated("S8", d.label, "%d transmitters at once at %s", len(atSite), me.Site.Name)
	}
	if len(onBand) > f.Network.MaxSignalsPerBand {
		o.violated("S8", d.label, "%d signals on %s", len(onBand), c.ordered.GetBand())
	}
}

// near says whether two sites count as one place: rule 3.
func near(f *fleet.Fleet, a, b *fleet.Site) bool {
	if a == b {
		return true
	}
	for _, pair := range f.Network.Near.Near {
		if slices.Contains(pair[:], a.Name) && slices.Contains(pair[:], b.Name) {
			return true
		}
	}
	return locator.SphereKm(a.Locator.Centre(), b.Locator.Centre()) < f.Network.Near.Default.Float64()
}

// S11: a second message follows a whole first one on the same band, begun at
// most 8 minutes before.
func (o *oracle) judgeIdentification(d *device, c *carrier) {
	if c.ordered.GetMessage().GetKind() != wirev1.MessageKind_MESSAGE_KIND_EXTENDED {
		return
	}
	o.world.reach("a second message of a pair")
	for i := len(o.carriers) - 2; i >= 0 && i > len(o.carriers)-300; i-- {
		first := o.carriers[i]
		if first.device != d {
			continue
		}
		if c.on-first.on > 8*time.Minute+time.Second {
			break
		}
		if first.complete && first.ordered.GetBand() == c.ordered.GetBand() && first.ordered.GetMessage().GetKind() == wirev1.MessageKind_MESSAGE_KIND_FULL {
			return
		}
	}
	o.violated("S11", d.label, "the second message of a pair, and no first one on %s in the 8 minutes before", c.ordered.GetBand())
}

// reachAtKeyDown notes in what times something is keyed.
func (o *oracle) reachAtKeyDown(d *device) {
	w := o.world
	if !d.link.isUp {
		w.reach("keyed without a link")
	}
	if !d.source.fix {
		w.reach("keyed in holdover")
	}
	if w.database.holder == nil {
		w.reach("keyed while nobody leads")
	}
	if d.clone {
		w.reach("a second device on the air")
	}
}
