package plan

import (
	"cmp"
	"slices"
	"strings"

	"lamplighter/coordinator/fleet"
)

// slots checks what transmissions of one slot do to each other. Taken slots are
// looked at together with the plan's; a beacon that stands in both is on the air
// in one of the two ways, and neither may harm another beacon. What taken slots
// do among themselves is not this plan's fault.
func (c *checker) slots() {
	all := make([]*entry, 0, len(c.entries)+len(c.taken))
	for _, list := range [][]entry{c.entries, c.taken} {
		for i := range list {
			all = append(all, &list[i])
		}
	}
	slices.SortStableFunc(all, func(a, b *entry) int {
		return cmp.Or(cmp.Compare(a.n, b.n), strings.Compare(a.beacon.Name, b.beacon.Name))
	})
	for group := range chunks(all, func(a, b *entry) bool { return a.n == b.n }) {
		if !slices.ContainsFunc(group, func(e *entry) bool { return !e.taken }) {
			continue
		}
		for _, here := range groups(group, func(e *entry) string { return e.beacon.Site.Name }) {
			c.together(here)
		}
		for _, onBand := range groups(group, func(e *entry) string { return e.band }) {
			c.oneBand(onBand)
		}
		if c.full() {
			return
		}
	}
}

// chunks yields runs of neighbours that are alike.
func chunks(all []*entry, alike func(a, b *entry) bool) func(yield func([]*entry) bool) {
	return func(yield func([]*entry) bool) {
		for start, i := 0, 1; i <= len(all); i++ {
			if i < len(all) && alike(all[start], all[i]) {
				continue
			}
			if !yield(all[start:i]) {
				return
			}
			start = i
		}
	}
}

// groups parts entries by a name, in order of the names.
func groups(all []*entry, name func(*entry) string) [][]*entry {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b *entry) int { return strings.Compare(name(a), name(b)) })
	return slices.Collect(chunks(sorted, func(a, b *entry) bool { return name(a) == name(b) }))
}

// names returns the beacons of entries, each once, if one of them is planned.
func names(entries []*entry) (beacons []string, planned bool) {
	for _, e := range entries {
		beacons = append(beacons, e.beacon.Name)
		planned = planned || !e.taken
	}
	slices.Sort(beacons)
	return slices.Compact(beacons), planned
}

// together is what happens at one site in one slot.
func (c *checker) together(here []*entry) {
	if len(here) < 2 {
		return
	}
	site := here[0].beacon.Site
	start := c.length.Start(here[0].n)
	if beacons, planned := names(here); planned && len(beacons) > site.TransmittersAtOnce {
		c.report(TransmittersAtOnce, start, beacons, "site %s: %d beacons transmit at once, %d may: %s",
			site.Name, len(beacons), site.TransmittersAtOnce, strings.Join(beacons, ", "))
	}
	using := map[string][]*entry{}
	for _, e := range here {
		for _, equipment := range e.beacon.Shared {
			using[equipment] = append(using[equipment], e)
		}
	}
	for equipment, users := range using {
		if beacons, planned := names(users); planned && len(beacons) > 1 {
			c.report(SharedEquipment, start, beacons, "site %s: %s carries one transmission, not those of %s",
				site.Name, equipment, strings.Join(beacons, ", "))
		}
	}
	for _, pair := range site.NotTogether {
		c.notTogether(here, pair)
	}
}

func (c *checker) notTogether(here []*entry, pair [2]string) {
	for _, a := range here {
		for _, b := range here {
			if a.band == pair[0] && b.band == pair[1] && a.beacon != b.beacon && (!a.taken || !b.taken) {
				c.report(NotTogether, c.length.Start(a.n), []string{a.beacon.Name, b.beacon.Name},
					"site %s: %s on %s and %s on %s share a slot, and these bands never may",
					a.beacon.Site.Name, a.beacon.Name, a.band, b.beacon.Name, b.band)
			}
		}
	}
}

// oneBand is what happens on one band in one slot, over the whole network.
func (c *checker) oneBand(onBand []*entry) {
	if len(onBand) < 2 {
		return
	}
	start, band := c.length.Start(onBand[0].n), onBand[0].band
	if most := c.f.Network.MaxSignalsPerBand; len(onBand) > most {
		if beacons, planned := names(onBand); planned && len(beacons) > most {
			c.report(MaxSignals, start, beacons, "%d own signals on %s, at most %d may be: %s", len(beacons), band, most, strings.Join(beacons, ", "))
		}
	}
	for i, a := range onBand {
		for _, b := range onBand[i+1:] {
			if a.beacon != b.beacon && (!a.taken || !b.taken) && !c.full() {
				c.twoSignals(a, b)
			}
		}
	}
}

func (c *checker) twoSignals(a, b *entry) {
	start := c.length.Start(a.n)
	if c.f.Near(a.beacon.Site, b.beacon.Site, a.band) {
		c.report(NearSites, start, []string{a.beacon.Name, b.beacon.Name}, "beacons %s and %s use %s at once, and their sites %s",
			a.beacon.Name, b.beacon.Name, a.band, nearness(a.beacon.Site, b.beacon.Site))
	}
	apart := 2*halfWidthHz + c.f.Network.Guard.Float64() + a.u + b.u
	if gap := max(a.hz, b.hz) - min(a.hz, b.hz); gap < apart-roundingHz {
		c.report(Spacing, start, []string{a.beacon.Name, b.beacon.Name}, "beacons %s and %s are %.2f Hz apart on %s, and need %.2f Hz",
			a.beacon.Name, b.beacon.Name, gap, a.band, apart)
	}
}

func nearness(a, b *fleet.Site) string {
	if a == b {
		return "are the same: " + a.Name
	}
	return a.Name + " and " + b.Name + " count as near"
}
