package fleet

import (
	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

// Openings knows in which slots of [First, End) each beacon may use each of its
// bands by itself: not paused, within the licence's dates, its sun rule holds,
// and the band has room for it. What other beacons do is not considered.
type Openings struct {
	First, End slot.Number
	bands      [][]bitset // [beacon][band]; nil: never
	any        []bitset   // [beacon]; nil: never
}

// Openings computes the openings of every beacon over [first, end), which may
// hold no slots.
func (f *Fleet) Openings(first, end slot.Number) *Openings {
	n := int(max(0, end-first))
	o := &Openings{First: first, End: first + slot.Number(n), bands: make([][]bitset, len(f.Beacons)), any: make([]bitset, len(f.Beacons))}
	closures := f.sortClosures(f.Closures(o.First, o.End))
	sky := &sky{length: f.Network.Slot, first: o.First, end: o.End, places: map[locator.Position]sunlight{}}
	for i, b := range f.Beacons {
		o.bands[i] = make([]bitset, len(b.Bands))
		if b.Paused {
			continue
		}
		o.any[i] = newBitset(n)
		for j, use := range b.Bands {
			if _, why := f.FitsBand(b, use); why != "" {
				continue
			}
			open := newBitset(n)
			f.openLicensed(open, b, o.First, o.End)
			sky.apply(open, b.Site, use.Sun)
			for _, list := range [][]*Closure{closures.all, closures.site[b.Site], closures.beacon[b]} {
				o.close(open, list, b, use.Band.Name)
			}
			o.bands[i][j] = open
			o.any[i].or(open)
		}
	}
	return o
}

func (f *Fleet) openLicensed(open bitset, b *Beacon, first, end slot.Number) {
	length := f.Network.Slot
	from, to := first, end
	if !b.Licence.ValidFrom.IsZero() {
		valid, _ := length.Starting(b.Licence.ValidFrom, b.Licence.ValidFrom)
		from = max(from, valid)
	}
	if !b.Licence.ValidTo.IsZero() {
		to = min(to, length.At(b.Licence.ValidTo)) // this slot would end later
	}
	if from < to {
		open.setRange(int(from-first), int(to-first))
	}
}

func (o *Openings) close(open bitset, closures []*Closure, b *Beacon, bandName string) {
	for _, c := range closures {
		if c.Covers(b, bandName) {
			open.clearRange(int(c.First-o.First), int(c.End-o.First))
		}
	}
}

// sortedClosures keeps closures by whom they can concern, so that a pause of one
// site is not looked at for every beacon of the network.
type sortedClosures struct {
	all    []*Closure
	site   map[*Site][]*Closure
	beacon map[*Beacon][]*Closure
}

func (f *Fleet) sortClosures(closures []Closure) sortedClosures {
	sorted := sortedClosures{site: map[*Site][]*Closure{}, beacon: map[*Beacon][]*Closure{}}
	for i := range closures {
		c := &closures[i]
		switch {
		case c.Beacon != nil:
			sorted.beacon[c.Beacon] = append(sorted.beacon[c.Beacon], c)
		case c.Site != nil:
			sorted.site[c.Site] = append(sorted.site[c.Site], c)
		default:
			sorted.all = append(sorted.all, c)
		}
	}
	return sorted
}

// sky remembers the sunlight at each place that asked for it.
type sky struct {
	length     slot.Length
	first, end slot.Number
	suns       []locator.Sun
	places     map[locator.Position]sunlight
}

func (s *sky) apply(open bitset, site *Site, rule Sun) {
	if rule != Day && rule != Night {
		return
	}
	if s.suns == nil {
		s.suns = sunsteps(s.length, s.first, s.end)
	}
	place := site.Locator.Centre()
	light, ok := s.places[place]
	if !ok {
		light = sunlightAt(place, s.suns, s.length)
		s.places[place] = light
	}
	if rule == Day {
		open.and(light.day)
	} else {
		open.and(light.night)
	}
}

// Open tells whether a beacon, by its index in the fleet, may use a band, by its
// index in the beacon, in slot n. Outside [First, End) nothing is open.
func (o *Openings) Open(beacon, band int, n slot.Number) bool {
	open := o.bands[beacon][band]
	return open != nil && n >= o.First && n < o.End && open.has(int(n-o.First))
}

// OpenBits copies in which slots from first on, up to End, a beacon may use one
// band: a bit for each slot, the lowest of the first word for first, which lies
// in [First, End].
func (o *Openings) OpenBits(beacon, band int, first slot.Number) []uint64 {
	copied := newBitset(int(o.End - first))
	if open := o.bands[beacon][band]; open != nil {
		open.copyFrom(int(first-o.First), copied)
	}
	return copied
}

// OpenAny tells whether a beacon may use any of its bands in slot n.
func (o *Openings) OpenAny(beacon int, n slot.Number) bool {
	return o.any[beacon] != nil && n >= o.First && n < o.End && o.any[beacon].has(int(n-o.First))
}

// OpenSlots counts the slots in which a beacon may use any of its bands.
func (o *Openings) OpenSlots(beacon int) int64 { return o.OpenSlotsIn(beacon, o.First, o.End) }

// OpenSlotsIn counts them within [first, end).
func (o *Openings) OpenSlotsIn(beacon int, first, end slot.Number) int64 {
	return countIn(o.any[beacon], o, first, end)
}

// OpenBandSlots counts the slots in which a beacon may use one band.
func (o *Openings) OpenBandSlots(beacon, band int) int64 {
	return o.OpenBandSlotsIn(beacon, band, o.First, o.End)
}

// OpenBandSlotsIn counts them within [first, end).
func (o *Openings) OpenBandSlotsIn(beacon, band int, first, end slot.Number) int64 {
	return countIn(o.bands[beacon][band], o, first, end)
}

func countIn(set bitset, o *Openings, first, end slot.Number) int64 {
	first, end = max(first, o.First), min(end, o.End)
	if set == nil || first >= end {
		return 0
	}
	return int64(set.count(int(first-o.First), int(end-o.First)))
}
