package planner

import (
	"cmp"
	"math"
	"slices"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/locator"
)

// addNear finds, for each distance that a band asks for, which sites are near
// each other. Only sites whose latitudes are close enough are compared, so
// that thousands of sites cost little more than sorting them.
func (m *model) addNear() {
	known := map[fleet.Decimal][][]int32{}
	for k := range m.bands {
		b := &m.bands[k]
		limit := m.fleet.Network.Near.Kilometres(b.name)
		if _, ok := known[limit]; !ok {
			known[limit] = m.nearWithin(limit.Float64(), b.name)
		}
		b.near = known[limit]
	}
}

func (m *model) nearWithin(km float64, band string) [][]int32 {
	near := make([][]int32, len(m.sites))
	found := false
	add := func(a, b int) {
		if a != b && !slices.Contains(near[a], int32(b)) && m.fleet.Near(m.sites[a].source, m.sites[b].source, band) {
			near[a], near[b] = append(near[a], int32(b)), append(near[b], int32(a))
			found = true
		}
	}
	for _, pair := range m.fleet.Network.Near.Near {
		if a, b := m.siteIndex(pair[0]), m.siteIndex(pair[1]); a >= 0 && b >= 0 {
			add(a, b)
		}
	}
	order, place := m.byLatitude()
	span := km/(locator.SphereRadiusKm*math.Pi/180) + 1e-6
	for i, a := range order {
		for _, b := range order[i+1:] {
			if place[b].Latitude-place[a].Latitude > span {
				break
			}
			add(min(a, b), max(a, b))
		}
	}
	if !found {
		return nil
	}
	for i := range near {
		slices.Sort(near[i])
	}
	return near
}

func (m *model) byLatitude() (order []int, place []locator.Position) {
	place = make([]locator.Position, len(m.sites))
	order = make([]int, len(m.sites))
	for i := range m.sites {
		order[i], place[i] = i, m.sites[i].source.Locator.Centre()
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(place[a].Latitude, place[b].Latitude), cmp.Compare(a, b))
	})
	return order, place
}

// isNear tells whether two sites count as one place on a band.
func (b *bandModel) isNear(s, t int32) bool {
	if s == t {
		return s >= 0
	}
	return t >= 0 && slices.Contains(b.around(s), t)
}

// around lists the other sites that are near one.
func (b *bandModel) around(s int32) []int32 {
	if b.near == nil || s < 0 {
		return nil
	}
	return b.near[s]
}
