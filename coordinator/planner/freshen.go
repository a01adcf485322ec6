package planner

import "slices"

// freshener moves visits within their windows to places in the hour that the
// beacon has met less often on that band: to a free slot, or in exchange with
// another beacon of the site that loses nothing by it. Counts, the order of a
// beacon's transmissions and their bands stay as they are.
type freshener struct {
	*board
	visits []visits
	atSite [][]int32
	mine   view
	other  view
}

// It tells whether anything was moved, since that may open a slot to somebody.
func (b *board) freshen() (moved bool) {
	f := &freshener{board: b, visits: make([]visits, b.count), atSite: b.bySite()}
	for id := range f.visits {
		if !b.hasNew(id) {
			continue
		}
		f.visits[id] = b.newVisits(&b.beacons[id])
		for _, s := range b.sent[id] {
			f.visits[id].add(b.model, int(s.use), int(s.slot), 1)
		}
	}
	for range 2 {
		for id := range f.visits {
			if f.visits[id].places == nil {
				continue
			}
			for j := range b.sent[id] {
				if s := b.sent[id][j]; s.kind == planned && f.stale(id, s) {
					moved = f.move(id, j) || moved
				}
			}
		}
	}
	return moved
}

// hasNew tells whether anything of a beacon was not in the plan in force.
func (b *board) hasNew(id int) bool {
	return slices.ContainsFunc(b.sent[id], func(s sending) bool { return s.kind == planned })
}

// bySite lists the beacons of each site.
func (b *board) bySite() [][]int32 {
	list := make([][]int32, len(b.sites))
	for i := range b.beacons[:b.count] {
		s := b.beacons[i].site
		list[s] = append(list[s], int32(i))
	}
	return list
}

func (f *freshener) count(id, use, t int) int { return int(f.visits[id].places[use][f.place(t)]) }

// stale tells whether a visit's place is met again while another is not at all.
func (f *freshener) stale(id int, s sending) bool {
	if f.count(id, int(s.use), int(s.slot)) < 2 {
		return false
	}
	for _, n := range f.visits[id].places[s.use] {
		if n == 0 {
			return true
		}
	}
	return false
}

// window returns the slots, both included, among which transmission j may stand.
func (b *board) window(id, j int) (first, last int) {
	open, granted := b.beacons[id].any.count, len(b.sent[id])
	return b.beacons[id].any.at(j * open / granted), b.beacons[id].any.at(((j+1)*open+granted-1)/granted - 1)
}

// move tries every slot of the window whose place has never been met.
func (f *freshener) move(id, j int) bool {
	s := f.sent[id][j]
	use, from := int(s.use), int(s.slot)
	first, last := f.window(id, j)
	f.look(&f.mine, id, from)
	for t := max(first, f.frozen); t <= last && t < f.slots; t++ {
		if t == from || f.count(id, use, t) > 0 || !f.alike(id, from, t) || f.mine.limits(t) != 0 {
			continue
		}
		if f.free(id, use, from, t) || f.swap(id, use, from, t) {
			f.visits[id].add(f.model, use, from, -1)
			f.visits[id].add(f.model, use, t, 1)
			return true
		}
	}
	return false
}

// alike tells whether the same bands are open in two slots, so that the weights
// ask for the same.
func (b *board) alike(id, s, t int) bool {
	for u := range b.beacons[id].uses {
		if way := &b.beacons[id].uses[u]; way.opens(s) != way.opens(t) {
			return false
		}
	}
	return true
}

func (f *freshener) free(id, use, from, t int) bool {
	was := f.take(id, from)
	if f.limits(id, use, t, true) != 0 {
		f.put(id, from, use, was.kind, was.hz)
		return false
	}
	f.put(id, t, use, planned, 0)
	return true
}

// swap exchanges slots with another beacon of the site, each on its band.
func (f *freshener) swap(id, use, from, t int) bool {
	for _, c := range f.atSite[f.beacons[id].site] {
		c := int(c)
		j, on := f.find(c, t)
		if c == id || !on || f.sent[c][j].kind != planned {
			continue
		}
		theirs := int(f.sent[c][j].use)
		first, last := f.window(c, j)
		if from < first || from > last || !f.alike(c, from, t) || f.count(c, theirs, from) >= f.count(c, theirs, t) {
			continue
		}
		f.look(&f.other, c, t)
		if f.other.limits(from) == 0 && f.exchange(id, use, from, c, theirs, t) {
			f.visits[c].add(f.model, theirs, t, -1)
			f.visits[c].add(f.model, theirs, from, 1)
			return true
		}
	}
	return false
}

func (f *freshener) exchange(id, use, from, c, theirs, t int) bool {
	log := []move{{id: id, was: f.take(id, from), taken: true}, {id: c, was: f.take(c, t), taken: true}}
	if f.limits(id, use, t, true) == 0 {
		f.put(id, t, use, planned, 0)
		log = append(log, move{id: id, was: sending{slot: int32(t)}})
		if f.limits(c, theirs, from, true) == 0 {
			f.put(c, from, theirs, planned, 0)
			return true
		}
	}
	f.undo(log)
	return false
}
