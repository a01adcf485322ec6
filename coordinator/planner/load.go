package planner

// pressure tells how much of what each beacon needs is already wanted by the
// rates aimed at: of its site and equipment, and of the fullest of its bands,
// in the network as near its site. 1 (fixed point) means full.
type pressure struct{ site, band int64 }

func (b *board) pressures(target []int) []pressure {
	list := make([]pressure, b.count)
	loads := make([]int64, len(b.room))
	bands := make([]int64, len(b.bands))
	near := make([]map[int32]int64, len(b.bands)) // by band: transmissions by site
	for k := range near {
		near[k] = map[int32]int64{}
	}
	for i := range list {
		x := &b.beacons[i]
		for _, r := range x.resources {
			loads[r] += int64(target[i])
		}
		for u := range x.uses {
			part := x.portion(u, target[i])
			bands[x.uses[u].band] += part
			near[x.uses[u].band][x.site] += part
		}
	}
	slots := max(1, int64(b.slots))
	for i := range list {
		x, p := &b.beacons[i], &list[i]
		for _, r := range x.resources {
			p.site = max(p.site, scale(loads[r], one, slots*int64(b.room[r]), 4*one))
		}
		for u := range x.uses {
			k := x.uses[u].band
			around := near[k][x.site]
			if b.bands[k].near != nil {
				for _, s := range b.bands[k].near[x.site] {
					around += near[k][s]
				}
			}
			p.band = max(p.band, scale(around, 1, max(1, b.listened(x.site, k)), 4*one), bands[k]/(slots*int64(max(1, b.bands[k].fits))))
		}
	}
	return list
}

// listened counts the slots that a site may use a band in, if listening there
// takes some away.
func (b *board) listened(site, band int32) int64 {
	for _, l := range b.sites[site].listen {
		if l.band == band {
			sum := int64(0)
			for _, most := range b.most[l.row] {
				sum += int64(most)
			}
			return sum
		}
	}
	return int64(b.slots)
}

// portion is what a band gets of a beacon's transmissions by its weight, in
// fixed point.
func (x *beacon) portion(u, target int) int64 {
	total := int64(0)
	for v := range x.uses {
		total += x.uses[v].weight
	}
	return scale(int64(target)*one, x.uses[u].weight, total, 1<<60)
}
