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
	for r, most := range b.room {
		list[r] = Room{Kind: "site", Name: b.names[r], Most: b.slots * int(most)}
	}
	wanted := make([]int64, len(b.bands))
	for k := range b.bands {
		list[len(b.room)+k] = Room{Kind: "band", Name: b.bands[k].name, Most: b.slots * b.bands[k].fits}
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
