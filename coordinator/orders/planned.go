package orders

import (
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/plan"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// pairWithin is how long before the second message of a pair the first may have
// begun.
const pairWithin = 8 * time.Minute

// planned gives the uses of a plan, by beacon, from a slot on.
func planned(f *fleet.Fleet, p *plan.Plan, from slot.Number) map[string][]lease.Use {
	wanted := map[string][]lease.Use{}
	for _, b := range f.Beacons {
		wanted[b.Name] = nil
	}
	if p == nil || p.SlotSeconds != int64(f.Network.Slot) {
		return wanted
	}
	tunings := map[string]tuning{}
	for _, t := range p.Transmissions {
		b, n := f.Beacon(t.Beacon), f.Network.Slot.At(t.Start)
		if b == nil || n < from {
			continue
		}
		band, ok := b.Use(t.Band)
		if !ok {
			continue
		}
		key := b.Name + " " + t.Band
		tune, known := tunings[key]
		if !known {
			tune = newTuning(f, b, band)
			tunings[key] = tune
		}
		wanted[b.Name] = append(wanted[b.Name], lease.Use{
			Slot: n, Band: t.Band, FrequencyMillihertz: tune.millihertz(t.FrequencyHz),
			UncertaintyMillihertz: tune.uncertainty, Extended: t.Message == plan.Extended,
		})
	}
	return wanted
}

// carry adds what stands in the latest orders in the slots before the plan
// begins, as far as the fleet still allows it, and gives it before the rest.
func carry(f *fleet.Fleet, book *lease.Book, from, planFrom slot.Number, wanted map[string][]lease.Use) {
	if from >= planFrom {
		return
	}
	open := f.Openings(from, planFrom)
	for i, b := range f.Beacons {
		var kept []lease.Use
		for _, use := range book.Standing(b.Name, from, planFrom) {
			band := slices.IndexFunc(b.Bands, func(u fleet.BandUse) bool { return u.Band.Name == use.Band })
			if band >= 0 && open.Open(i, band, use.Slot) {
				kept = append(kept, use)
			}
		}
		later := slices.DeleteFunc(wanted[b.Name], func(u lease.Use) bool { return u.Slot < planFrom })
		wanted[b.Name] = append(kept, later...)
	}
}

// pairs makes the second message of a pair a first one where the first one is
// not in the orders, on the same band and shortly before. earlier are the uses
// before.
func pairs(length slot.Length, earlier, uses []lease.Use) []lease.Use {
	all := slices.Concat(earlier, uses)
	for i := len(earlier); i < len(all); i++ {
		if !all[i].Extended {
			continue
		}
		all[i].Extended = i > 0 && !all[i-1].Extended && all[i-1].Band == all[i].Band &&
			length.Start(all[i].Slot).Sub(length.Start(all[i-1].Slot)) <= pairWithin
	}
	return all[len(earlier):]
}

// message is what a beacon says in a slot: planning rule 8.
func message(b *fleet.Beacon, band fleet.BandUse, extended bool) *wirev1.Message {
	m := &wirev1.Message{Callsign: b.Callsign, PowerDbm: int32(band.PowerDBm), Kind: wirev1.MessageKind_MESSAGE_KIND_FULL}
	compound := strings.Contains(b.Callsign, stroke)
	switch {
	case extended:
		m.Kind = wirev1.MessageKind_MESSAGE_KIND_EXTENDED
		m.Locator = b.Site.Locator.Truncate(6).String()
	case !compound:
		m.Locator = b.Site.Locator.Truncate(4).String()
	}
	return m
}

// stroke is what a compound call sign has.
const stroke = "/"

// Slot is one transmission as it stands in orders.
type Slot struct {
	lease.Use
	Start   time.Time // of the slot
	Kind    plan.Message
	Control fleet.Control
}

// transmissions turns uses into what stands in orders. The uses are those of
// the beacon's own bands.
func transmissions(length slot.Length, b *fleet.Beacon, uses []lease.Use) (wire []*wirev1.Transmission, slots []Slot) {
	for _, use := range uses {
		band, ok := b.Use(use.Band)
		if !ok {
			continue
		}
		t := &wirev1.Transmission{
			Slot: int64(use.Slot), Band: use.Band,
			FrequencyMillihertz: use.FrequencyMillihertz, UncertaintyMillihertz: use.UncertaintyMillihertz,
			Message: message(b, band, use.Extended), DrivePercent: uint32(band.Drive), Control: WireControl(band.Control),
		}
		kind := plan.Full
		if use.Extended {
			kind = plan.Extended
		}
		wire = append(wire, t)
		slots = append(slots, Slot{Use: use, Start: length.Start(use.Slot), Kind: kind, Control: band.Control})
	}
	return wire, slots
}
