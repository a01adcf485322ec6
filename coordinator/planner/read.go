package planner

import (
	"slices"

	"lamplighter/coordinator/plan"
)

// read translates the transmissions of a plan that lie in the horizon and whose
// beacon and band are still in the fleet: by beacon, in the order of their slots.
// The rest is handed to other, if given.
func (b *board) read(p *plan.Plan, other func(t plan.Transmission, slot int)) [][]sending {
	lists := b.lists()
	if p == nil {
		return lists
	}
	sorted := true
	at := -1 // the slot of the one before
	var beacons, bands guesses
	for i := range p.Transmissions {
		t := &p.Transmissions[i]
		if i == 0 || t.Start != p.Transmissions[i-1].Start {
			at = int(b.length.At(t.Start) - b.first)
		}
		if at < 0 || at >= b.slots {
			continue
		}
		id, u := beacons.index(t.Beacon, b.beaconIndex), -1
		if k := bands.index(t.Band, b.bandIndex); id >= 0 && k >= 0 {
			u = int(b.useAt[id*len(b.bands)+k])
		}
		if u < 0 {
			if other != nil {
				other(*t, at)
			}
			continue
		}
		list := lists[id]
		sorted = sorted && (len(list) == 0 || int(list[len(list)-1].slot) < at)
		lists[id] = append(list, sending{slot: int32(at), use: int8(u), hz: roundMicro(t.FrequencyHz)})
	}
	if !sorted {
		for id, list := range lists {
			slices.SortStableFunc(list, func(a, c sending) int { return int(a.slot - c.slot) })
			lists[id] = slices.CompactFunc(list, func(a, c sending) bool { return a.slot == c.slot })
		}
	}
	return lists
}

// lists has an empty list for each beacon, with room for what it wants.
func (m *model) lists() [][]sending {
	all := 0
	for i := range m.beacons[:m.count] {
		all += m.beacons[i].demand
	}
	slab, lists := make([]sending, all), make([][]sending, m.count)
	for i := range lists {
		room := m.beacons[i].demand
		lists[i], slab = slab[:0:room], slab[room:]
	}
	return lists
}

// guesses remembers what was found last for names that end alike: a plan says each
// name often, mostly in the same memory, and comparing it is quicker than looking it up.
type guesses [1 << guessBits]struct {
	name  string
	index int
}

const guessBits = 12

// index returns what look finds for a name.
func (g *guesses) index(name string, look func(string) int) int {
	guess := &g[ending(name)>>(32-guessBits)]
	if guess.name != name || name == "" {
		guess.name, guess.index = name, look(name)
	}
	return guess.index
}

// ending mixes the last eight bytes of a name, or all if it has fewer, into 32 bits.
func ending(name string) uint64 {
	end := uint64(0)
	if n := len(name); n >= 8 {
		s := name[n-8:]
		end = uint64(s[7]) | uint64(s[6])<<8 | uint64(s[5])<<16 | uint64(s[4])<<24 |
			uint64(s[3])<<32 | uint64(s[2])<<40 | uint64(s[1])<<48 | uint64(s[0])<<56
	} else {
		for i := range n {
			end = end<<8 | uint64(name[i])
		}
	}
	return end * 0x9e3779b97f4a7c15 >> 32
}
