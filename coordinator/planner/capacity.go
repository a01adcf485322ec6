package planner

import (
	"cmp"
	"slices"
)

// Room says how full something is that beacons share, over a horizon.
type Room struct {
	Kind    string `json:"kind"` // site, equipment or band
	Site    string `json:"site,omitempty"`
	Name    string `json:"name"`
	Beacons int    `json:"beacons"` // that share it
	Wanted  int    `json:"wanted"`  // transmissions that they want, on a band by its weight
	Used    int    `json:"used"`    // transmissions planned
	Most    int    `json:"most"`    // transmissions for which there is room

	// Cost is how many transmissions the others would lose if one more beacon,
	// wanting what these want in the mean, had its equal part.
	Cost int `json:"cost"`
}

// Capacity plans and says of each site, each piece of shared equipment and each
// band how full it is. Sites and equipment that can never be full are not listed.
func Capacity(in Input, progress Progress) ([]Room, error) {
	b, err := solve(in, progress)
	if err != nil {
		return nil, err
	}
	list := make([]Room, len(b.room)+len(b.bands))
	sharing := b.byResource()
	for r, most := range b.room {
		list[r] = Room{Kind: "site", Name: b.names[r], Most: int(most) * b.usable(sharing[r])}
	}
	wanted := make([]int64, len(b.bands))
	for k := range b.bands {
		list[len(b.room)+k] = Room{Kind: "band", Name: b.bands[k].name, Most: b.mostOn(int32(k))}
	}
	for id := range b.beacons[:b.count] {
		b.fillRooms(id, list, wanted)
	}
	for k, w := range wanted {
		list[len(b.room)+k].Wanted = int(w >> 32)
	}
	for i := range list {
		list[i].Cost = list[i].cost()
	}
	slices.SortStableFunc(list, func(a, c Room) int {
		return cmp.Or(cmp.Compare(a.Kind, c.Kind), cmp.Compare(a.Site, c.Site), cmp.Compare(a.Name, c.Name))
	})
	return list, nil
}

// fillRooms enters what one beacon wants and uses.
func (b *board) fillRooms(id int, list []Room, wanted []int64) {
	x := &b.beacons[id]
	if x.any.count == 0 {
		return // paused
	}
	for _, r := range x.resources {
		room := &list[r]
		room.Site = b.sites[x.site].source.Name
		if r != b.sites[x.site].resource {
			room.Kind = "equipment"
		}
		room.Beacons++
		room.Wanted += x.demand
		room.Used += len(b.sent[id])
	}
	for u := range x.uses {
		list[len(b.room)+int(x.uses[u].band)].Beacons++
		wanted[x.uses[u].band] += x.portion(u, x.demand)
	}
	for _, s := range b.sent[id] {
		list[len(b.room)+int(x.uses[s.use].band)].Used++
	}
}

func (r *Room) cost() int {
	if r.Beacons == 0 {
		return 0
	}
	more := r.Wanted / r.Beacons
	if fair := r.Most / (r.Beacons + 1); r.Wanted+more > r.Most {
		more = min(more, fair)
	}
	return max(0, r.Used+more-r.Most)
}

// usable counts the slots in which any of the members may transmit, less those
// that a quiet share of their site takes away.
func (b *board) usable(members []int32) int {
	if len(members) == 0 {
		return 0
	}
	open := newBitset(b.slots)
	for _, id := range members {
		open.or(b.beacons[id].any.set)
	}
	usable := open.count()
	if row := b.sites[b.beacons[members[0]].site].quiet; row >= 0 {
		sum := 0
		for _, most := range b.most[row] {
			sum += int(most)
		}
		usable = min(usable, sum)
	}
	return usable
}

// mostOn is how many transmissions a band has room for: in each slot no more
// than fit, and one for each group of sites that are all near each other and of
// which one may use it.
func (b *board) mostOn(k int32) (most int) {
	open, left := map[int32]bitset{}, map[int32][]int32{} // by site
	for id := range b.beacons[:b.count] {
		x := &b.beacons[id]
		if u := x.useOf(k); u >= 0 {
			if left[x.site] == nil {
				open[x.site] = newBitset(b.slots)
			}
			left[x.site] = append(left[x.site], int32(id))
			open[x.site].or(x.uses[u].open)
		}
	}
	groups := make([]int, b.slots) // that may use it, by slot
	for s := range int32(len(b.sites)) {
		if left[s] == nil {
			continue
		}
		any := newBitset(b.slots)
		for _, place := range b.clique(int(k), s, left) {
			any.or(open[place])
			delete(left, place)
		}
		for t := range groups {
			if any.has(t) {
				groups[t]++
			}
		}
	}
	for _, n := range groups {
		most += min(n, b.bands[k].fits)
	}
	return most
}
