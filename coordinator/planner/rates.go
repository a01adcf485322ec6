package planner

import (
	"container/heap"
	"math/bits"
	"slices"
)

// one is 1 in the planner's fixed-point numbers.
const one = int64(1) << 32

// scale returns a·b/c for numbers that are not negative, c > 0, and at most
// most: no number grows beyond it.
func scale(a, b, c, most int64) int64 {
	high, low := bits.Mul64(uint64(a), uint64(b))
	if high >= uint64(c) {
		return most
	}
	q, _ := bits.Div64(high, low, uint64(c))
	return int64(min(q, uint64(most)))
}

// at returns what a beacon is granted at a level: level·priority·demand, history
// included, and never more than it wants. Levels are in fixed point.
func (b *beacon) at(level int64) int64 {
	whole := scale(level, int64(b.whole)*b.priority, micro, int64(b.whole)*one)
	return min(max(0, whole-int64(b.past)*one), int64(b.demand)*one)
}

// pool is something that its members share over the whole horizon: a site, a
// piece of equipment, a band.
type pool struct {
	members  []int32
	capacity int64 // transmissions
	level    int64 // at which it is full
	local    bool  // shared by a neighbourhood, not by the network
	id       int
}

// highest is a level at which everybody has all it wants.
func (m *model) highest() int64 {
	high := one
	for i := range m.beacons[:m.count] {
		if b := &m.beacons[i]; b.demand > 0 {
			high = max(high, scale(int64(b.past+b.demand)*one, micro, int64(b.whole)*b.priority, 1<<55)+1)
		}
	}
	return high
}

// fill pours water: all levels rise together; when a pool is full, those in it
// who want more stop, and the others go on. It returns the level of each
// beacon. Which slots are open to whom at which hour, and how transmissions fit
// between each other, is not considered: that is left to the chains.
func (m *model) fill(pools []pool) []int64 {
	highest := m.highest()
	levels := make([]int64, m.count)
	for i := range levels {
		levels[i] = -1
	}
	of := make([][]int32, m.count)
	queue := &fullest{}
	for i := range pools {
		p := &pools[i]
		p.id = i
		for _, id := range p.members {
			of[id] = append(of[id], int32(i))
		}
		p.level = m.fullAt(p, levels, highest)
		queue.list = append(queue.list, p)
	}
	heap.Init(queue)
	for queue.Len() > 0 {
		p := queue.list[0]
		if level := m.fullAt(p, levels, highest); level > p.level {
			p.level = level
			heap.Fix(queue, 0)
			continue
		}
		heap.Pop(queue)
		if p.level >= highest {
			break
		}
		for _, id := range p.members {
			if levels[id] < 0 && m.beacons[id].at(p.level) < int64(m.beacons[id].demand)*one {
				levels[id] = p.level
			}
		}
	}
	for i := range levels {
		if levels[i] < 0 {
			levels[i] = highest
		}
	}
	return levels
}

// fullAt finds the level at which a pool is full when those who have stopped
// keep theirs.
func (m *model) fullAt(p *pool, levels []int64, highest int64) int64 {
	need := func(level int64) (sum int64) {
		for _, id := range p.members {
			at := level
			if levels[id] >= 0 {
				at = min(levels[id], highest)
			}
			sum += m.beacons[id].at(at) >> 8
		}
		return sum
	}
	room := p.capacity * (one >> 8)
	if need(highest) <= room {
		return highest
	}
	low, high := int64(0), highest
	for high-low > 1 {
		mid := (low + high) / 2
		if need(mid) <= room {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

type fullest struct{ list []*pool }

func (q *fullest) Len() int { return len(q.list) }
func (q *fullest) Less(i, j int) bool {
	if q.list[i].level != q.list[j].level {
		return q.list[i].level < q.list[j].level
	}
	return q.list[i].id < q.list[j].id
}
func (q *fullest) Swap(i, j int) { q.list[i], q.list[j] = q.list[j], q.list[i] }
func (q *fullest) Push(x any)    { q.list = append(q.list, x.(*pool)) }
func (q *fullest) Pop() any {
	last := q.list[len(q.list)-1]
	q.list = q.list[:len(q.list)-1]
	return last
}

// pools lists what is shared: sites and equipment, the bands of the network,
// and the bands of places that are near each other.
func (b *board) pools() []pool {
	var pools []pool
	alone := make([][]int32, len(b.bands)) // beacons that have one band only
	var all []int32
	for i := range b.beacons[:b.count] {
		x := &b.beacons[i]
		if x.demand == 0 {
			continue
		}
		all = append(all, int32(i))
		if len(x.uses) == 1 {
			k := x.uses[0].band
			alone[k] = append(alone[k], int32(i))
		}
	}
	for r, members := range b.byResource() {
		pools = append(pools, pool{members: members, capacity: int64(b.room[r]) * b.active(members), local: true})
	}
	total := 0
	for k := range b.bands {
		limit := b.bands[k].fits
		total += limit
		pools = append(pools, pool{members: alone[k], capacity: int64(limit) * b.active(alone[k])})
		pools = append(pools, b.nearPools(k, alone[k])...)
	}
	pools = append(pools, pool{members: all, capacity: int64(total) * b.active(all)})
	return slices.DeleteFunc(pools, func(p pool) bool { return len(p.members) == 0 })
}

// byResource lists who shares a site or equipment and wants anything.
func (m *model) byResource() [][]int32 {
	list := make([][]int32, len(m.room))
	for i := range m.beacons[:m.count] {
		if x := &m.beacons[i]; x.demand > 0 {
			for _, r := range x.resources {
				list[r] = append(list[r], int32(i))
			}
		}
	}
	return list
}

// measureBands finds how many signals each band takes in a slot at most.
func (m *model) measureBands() {
	narrowest := make([]int64, len(m.bands))
	confined := make([]bool, len(m.bands))
	for i := range m.beacons {
		for j := range m.beacons[i].uses {
			u := &m.beacons[i].uses[j]
			if narrowest[u.band] == 0 || u.width < narrowest[u.band] {
				narrowest[u.band] = u.width
			}
			m.bands[u.band].widest = max(m.bands[u.band].widest, u.width)
			confined[u.band] = confined[u.band] || u.narrow
		}
	}
	for k := range m.bands {
		if b := &m.bands[k]; narrowest[k] > 0 {
			room := b.high - b.low + m.guard()
			b.holds = int(room / narrowest[k])
			b.fits = min(b.capacity, b.holds)
			if !confined[k] {
				b.easy = int(room / b.widest)
			}
		}
	}
}

// nearPools has a pool for each site with the beacons there and at sites that
// are all near each other, so that only one of them can use the band.
func (b *board) nearPools(k int, members []int32) []pool {
	at := map[int32][]int32{}
	for _, id := range members {
		s := b.beacons[id].site
		at[s] = append(at[s], id)
	}
	var pools []pool
	for s := range int32(len(b.sites)) {
		if len(at[s]) == 0 {
			continue
		}
		var list []int32
		for _, place := range b.clique(k, s, at) {
			list = append(list, at[place]...)
		}
		if len(list) > 1 {
			pools = append(pools, pool{members: list, capacity: b.active(list), local: true})
		}
	}
	return pools
}

// clique gathers sites around one that are all near each other.
func (b *board) clique(k int, s int32, at map[int32][]int32) []int32 {
	band, all := &b.bands[k], []int32{s}
	if band.near == nil {
		return all
	}
	for _, place := range band.near[s] {
		near := len(at[place]) > 0
		for _, other := range all {
			near = near && band.isNear(place, other)
		}
		if near {
			all = append(all, place)
		}
	}
	return all
}

// active counts the slots in which any of the members may transmit, less those
// that quiet shares take away when all are at one site.
func (b *board) active(members []int32) int64 {
	union := newBitset(b.slots)
	site := int32(-1)
	for i, id := range members {
		x := &b.beacons[id]
		union.or(x.any.set)
		if i == 0 {
			site = x.site
		} else if site != x.site {
			site = -1
		}
	}
	open := int64(union.count())
	if site >= 0 && b.sites[site].quiet >= 0 {
		row, sum := b.sites[site].quiet, int64(0)
		for d, most := range b.most[row] {
			sum += int64(max(0, most-b.rows[row][d]))
		}
		open = min(open, sum)
	}
	return open
}
