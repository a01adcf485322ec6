package planner

import (
	"math/rand/v2"
	"slices"
)

// tuner chooses the frequencies, cell by cell.
type tuner struct {
	*board
	source rand.PCG
	chance *rand.Rand
	next   []int // by beacon: which of its transmissions comes next
	list   []interval
	best   []interval
	cuts   []int64
	stand  []int64
}

// chooseFrequencies places every signal. What is kept stays where it was if the
// others find room beside it.
func (b *board) chooseFrequencies() {
	u := &tuner{board: b, next: make([]int, b.count)}
	u.chance = rand.New(&u.source)
	for t := range b.slots {
		for k := range b.bands {
			if len(*b.cell(t, int32(k))) > 0 && !u.unchanged(t, int32(k)) {
				u.tune(t, int32(k))
			}
		}
	}
}

// unchanged tells whether a whole cell is kept and can stay as it was, which in
// most slots of a plan that replaces another is all there is to find out. Where
// signals are so close that their own widths count, tune finds it out.
func (u *tuner) unchanged(t int, band int32) bool {
	u.stand = u.stand[:0] // frequencies, rising
	for _, g := range *u.cell(t, band) {
		if g.kind != kept {
			return false
		}
		hz := u.at(int(g.beacon), t).hz
		if hz == 0 {
			return false
		}
		i := len(u.stand)
		u.stand = append(u.stand, hz)
		for ; i > 0 && u.stand[i-1] > hz; i-- {
			u.stand[i] = u.stand[i-1]
		}
		u.stand[i] = hz
	}
	for i := 1; i < len(u.stand); i++ {
		if u.stand[i]-u.stand[i-1] < u.bands[band].widest {
			return false
		}
	}
	return true
}

func (u *tuner) tune(t int, band int32) {
	seed := mix(u.seed, mix(uint64(u.first)+uint64(t), uint64(band)))
	for _, keep := range [...]bool{true, false} {
		u.source.Seed(seed, mix(seed, 1))
		u.list = u.intervals(u.list[:0], t, *u.cell(t, band))
		if keep {
			u.stay(t, band)
		}
		free := u.release(t)
		if free == 0 || free == len(u.list) && u.scatter(band) || u.arrange(u.list, u.chance) {
			u.settle(t)
			return
		}
	}
	// Only leases in odd places can bring it to this: somebody stays silent.
	for _, g := range slices.Backward(*u.cell(t, band)) {
		if g.kind != leased && g.kind != fixed {
			u.take(int(g.beacon), t)
			u.tune(t, band)
			return
		}
	}
}

// stay leaves those of the plan in force at their frequencies.
func (u *tuner) stay(t int, band int32) {
	for i, g := range *u.cell(t, band) {
		if g.kind == kept {
			in := &u.list[i]
			in.hz = u.at(in.id, t).hz
			in.fixed, in.kept = in.hz != 0, true
		}
	}
}

// at returns what a beacon sends in slot t, which is never earlier than the slot
// asked for before.
func (u *tuner) at(id, t int) *sending {
	list := u.sent[id]
	for int(list[u.next[id]].slot) < t {
		u.next[id]++
	}
	return &list[u.next[id]]
}

// before is where a beacon was on a band when it used it last, 0 if it has not yet.
func (u *tuner) before(id, use, t int) int64 {
	at, _ := u.find(id, t)
	for _, s := range slices.Backward(u.sent[id][:at]) {
		if int(s.use) == use {
			return s.hz
		}
	}
	return 0
}

// release lets go of kept signals that can't stay where they were: the fleet may
// have changed since. It returns how many signals are free to move.
func (u *tuner) release(t int) (free int) {
	for i := range u.list {
		in := &u.list[i]
		if in.id < u.count {
			in.avoid = u.before(in.id, in.use, t)
		}
		if in.kept && !u.clear(i) {
			in.hz, in.fixed = 0, false
		}
		if !in.fixed {
			free++
		}
	}
	return free
}

// clear tells whether a kept signal is inside its window and clear of all that
// can't move, and of the kept ones before it.
func (u *tuner) clear(i int) bool {
	in := &u.list[i]
	for j := range u.list {
		o := &u.list[j]
		if j == i || !o.fixed || o.kept && j > i {
			continue
		}
		apart := in.reach + o.reach
		if gap := in.hz - o.hz; gap < apart && gap > -apart {
			return false
		}
	}
	return u.beacons[in.id].uses[in.use].within(in.hz)
}

// scatter places signals that are all free in any order, with gaps of any size
// between them: every arrangement is as likely. Of a few it takes one in which
// as few as possible are where they were at their last visit. It returns false
// when they are confined by more than the window.
func (u *tuner) scatter(band int32) bool {
	if slices.ContainsFunc(u.list, func(in interval) bool { return in.narrow }) {
		return false
	}
	const draws = 4
	fewest := len(u.list) + 1
	for range draws {
		u.chance.Shuffle(len(u.list), func(i, j int) { u.list[i], u.list[j] = u.list[j], u.list[i] })
		if !u.line(band) {
			return false
		}
		if again := returning(u.list); again < fewest {
			fewest = again
			u.best = append(u.best[:0], u.list...)
		}
		if fewest == 0 {
			break
		}
	}
	u.list, u.best = u.best, u.list
	return true
}

// line puts the signals beside each other in their order, on the coarsest grid
// that has room for them.
func (u *tuner) line(band int32) bool {
	window, n, guard := &u.bands[band], len(u.list), u.guard()
	for _, grid := range grids {
		at := (window.low + u.list[0].half(guard) + grid - 1) / grid
		for i := range u.list {
			if i > 0 {
				at += (u.list[i-1].reach + u.list[i].reach + grid - 1) / grid
			}
			u.list[i].hz = at
		}
		slack := (window.high-u.list[n-1].half(guard))/grid - at
		if slack < 0 {
			continue
		}
		u.cuts = u.cuts[:0]
		for range n {
			u.cuts = append(u.cuts, u.chance.Int64N(slack+1))
		}
		slices.Sort(u.cuts)
		for i := range u.list {
			u.list[i].hz = (u.list[i].hz + u.cuts[i]) * grid
		}
		return true
	}
	return false
}

// returning counts signals that are within a hertz of their last visit.
func returning(list []interval) (n int) {
	for i := range list {
		if away := list[i].hz - list[i].avoid; away < micro && away > -micro {
			n++
		}
	}
	return n
}

// settle books the frequencies of a cell.
func (u *tuner) settle(t int) {
	cell := u.list
	for i := range cell {
		in := &cell[i]
		if in.id >= u.count || in.leased {
			continue
		}
		u.at(in.id, t).hz = in.hz
	}
}
