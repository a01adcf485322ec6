package planner

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// grids are the steps on which frequencies are sought, in micro-hertz: a tenth
// of a hertz where there is room, finer where a band is nearly full.
var grids = [...]int64{micro / 10, micro / 1000, 1}

// interval is the place of one signal in a band's window: it occupies
// [hz − reach, hz + reach), half the guard included.
type interval struct {
	id, use int
	reach   int64
	ranges  [][2]int64
	narrow  bool
	hz      int64 // 0: not placed
	avoid   int64 // where the beacon was at its last visit, 0 if nowhere
	fixed   bool
	kept    bool // fixed only as long as that does no harm
	leased  bool // not granted: it only may be sent
}

// half is what the signal itself occupies on each side of its centre.
func (in *interval) half(guard int64) int64 { return in.reach - guard/2 }

// guard is the clear space between neighbours, made even so that each side can
// take half of it.
func (m *model) guard() int64 {
	guard := ceilMicro(m.fleet.Network.Guard.Float64())
	return guard + guard%2
}

func (x *beacon) interval(id, u int) interval {
	way := &x.uses[u]
	return interval{id: id, use: u, reach: way.width / 2, ranges: way.ranges, narrow: way.narrow}
}

// roomFor tells whether one more signal fits into a cell. Signals that can move
// fit exactly when the sum of their widths does. Those that stand still leave
// gaps, and in each less than the widest signal is lost.
func (b *board) roomFor(way *use, t int, cell []signal) bool {
	band := &b.bands[way.band]
	narrow, still := way.narrow, int64(0)
	sum, widest := way.width, way.width
	for _, g := range cell {
		other := &b.beacons[g.beacon].uses[g.use]
		sum += other.width
		widest = max(widest, other.width)
		narrow = narrow || other.narrow
		if g.kind == fixed || g.kind == leased {
			still++
		}
	}
	room := band.high - band.low + b.guard()
	switch {
	case sum > room:
		return false
	case !narrow && (still == 0 || sum+(still+1)*widest <= room):
		return true
	}
	list := append(b.intervals(nil, t, cell), interval{id: len(b.beacons), reach: way.width / 2, ranges: way.ranges, narrow: way.narrow})
	return b.arrange(list, nil)
}

// intervals lists the signals of a cell of slot t; those that are fixed stand at
// their frequencies.
func (b *board) intervals(list []interval, t int, cell []signal) []interval {
	for _, g := range cell {
		id := int(g.beacon)
		in := b.beacons[id].interval(id, int(g.use))
		if g.kind == fixed || g.kind == leased {
			in.hz = b.hz(g, t)
			in.fixed, in.leased = in.hz != 0, g.kind == leased
		}
		list = append(list, in)
	}
	return list
}

// hz is where a signal stands; 0 if nowhere yet.
func (b *board) hz(g signal, t int) int64 {
	id := int(g.beacon)
	if g.kind == leased {
		s, _ := b.held(id, t)
		return s.hz
	}
	at, _ := b.find(id, t)
	return b.sent[id][at].hz
}

// stands tells whether a beacon's signal can be at a frequency in slot t beside
// those of others that can't move.
func (b *board) stands(id, u, t int, hz int64) bool {
	way := &b.beacons[id].uses[u]
	if !way.within(hz) {
		return false
	}
	for _, g := range *b.cell(t, way.band) {
		if int(g.beacon) == id || g.kind != fixed && g.kind != leased {
			continue
		}
		apart := way.width/2 + b.beacons[g.beacon].uses[g.use].width/2
		if gap := hz - b.hz(g, t); gap < apart && gap > -apart {
			return false
		}
	}
	return true
}

// within tells whether a signal centred on a frequency is inside window and licence.
func (u *use) within(hz int64) bool {
	for i := range u.ranges {
		if u.ranges[i][0] <= hz && hz <= u.ranges[i][1] {
			return true
		}
	}
	return false
}

// arrange gives every interval a place, and with a source of chance moves them
// about as far as there is room. It returns false when it finds no arrangement.
func (b *board) arrange(list []interval, chance *rand.Rand) bool {
	order := make([]int, 0, len(list))
	for i := range list {
		if !list[i].fixed {
			order = append(order, i)
		}
	}
	if chance != nil {
		chance.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	}
	slices.SortStableFunc(order, func(i, j int) int { return compareTight(&list[i], &list[j]) })
	for _, grid := range grids {
		for _, i := range order {
			list[i].hz = 0
		}
		if !firstFit(list, order, grid) {
			continue
		}
		if chance != nil {
			wander(list, order, grid, chance)
		}
		return true
	}
	return false
}

// compareTight puts signals that the licence confines before the others, those
// that end lowest first.
func compareTight(a, b *interval) int {
	switch {
	case a.narrow && b.narrow:
		return cmp.Compare(a.ranges[len(a.ranges)-1][1], b.ranges[len(b.ranges)-1][1])
	case a.narrow:
		return -1
	case b.narrow:
		return 1
	}
	return 0
}

func firstFit(list []interval, order []int, grid int64) bool {
	for _, i := range order {
		free := places(list, i, grid)
		if len(free) == 0 {
			return false
		}
		list[i].hz = free[0][0]
	}
	return true
}

// wander moves each signal to a place anywhere in the room that the others
// leave, twice.
func wander(list []interval, order []int, grid int64, chance *rand.Rand) {
	for range 2 {
		for _, i := range order {
			free := places(list, i, grid)
			total := int64(0)
			for _, f := range free {
				total += (f[1]-f[0])/grid + 1
			}
			for range 3 { // not where the last visit was, if that can be helped
				list[i].hz = pick(free, grid, chance.Int64N(total))
				if away := list[i].hz - list[i].avoid; away > micro || away < -micro {
					break
				}
			}
		}
	}
}

// pick returns the n-th place on the grid.
func pick(free [][2]int64, grid, n int64) int64 {
	for _, f := range free {
		if here := (f[1]-f[0])/grid + 1; n >= here {
			n -= here
			continue
		}
		return f[0] + n*grid
	}
	panic("planner: more places were counted than there are")
}

// places returns the closed ranges, on the grid, where the centre of signal i
// may lie beside all that are placed.
func places(list []interval, i int, grid int64) [][2]int64 {
	in := &list[i]
	var barred [][2]int64 // open ranges
	for j := range list {
		if o := &list[j]; j != i && o.hz != 0 {
			barred = append(barred, [2]int64{o.hz - o.reach - in.reach, o.hz + o.reach + in.reach})
		}
	}
	slices.SortFunc(barred, func(a, b [2]int64) int { return cmp.Compare(a[0], b[0]) })
	var free [][2]int64
	add := func(low, high int64) {
		low, high = (low+grid-1)/grid*grid, high/grid*grid
		if low <= high {
			free = append(free, [2]int64{low, high})
		}
	}
	for _, r := range in.ranges {
		low := r[0]
		for _, bar := range barred {
			if bar[0] >= low {
				add(low, min(bar[0], r[1]))
			}
			low = max(low, bar[1])
		}
		add(low, r[1])
	}
	return free
}

// inside returns a frequency if it is inside window and licence, else 0.
func (u *use) inside(hz int64) int64 {
	if u.within(hz) {
		return hz
	}
	return 0
}

func roundMicro(hz float64) int64 { return int64(math.Round(hz * micro)) }
