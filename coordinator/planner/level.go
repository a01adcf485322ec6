package planner

import (
	"cmp"
	"math/bits"
	"slices"
)

// leveller raises those who have least, along chains of moves.
//
// A chain begins with a beacon that is short. It takes a slot that is free, or
// one that becomes free when a single other gives it up; that one looks for a
// slot in the same way. The chain ends where a slot is free, or where somebody
// stays better off after losing one than the first was. Chains are sought
// breadth first. When none is found, all that were reached cannot be raised
// either, by the same argument as for augmenting paths: whatever they could take
// belongs to one of them, and none of them is better off. They are left alone
// from then on, so that fruitless searches cost no more than one walk over the
// board.
type leveller struct {
	*board
	aim    []int  // nobody is raised above
	done   []bool // cannot be raised
	seen   []int32
	search int32
	steps  []step
	view   view
	atSite [][]int32
	others []signal
	log    []move

	// hasty searches, in large networks, take the first who stays better off, not
	// the best, and do not come back to those whose chains were refused.
	hasty bool
	work  int // steps that a hasty search may still look at
	rich  int // the step of such a one, 0 for none

	// refused tells that a chain of this search turned out to be against a rule.
	refused bool

	// exhausted marks the cells, by slot and band, that are full and all of whose
	// signals have been reached in this search.
	exhausted []int32

	gathered []gathered // by site, for one loser or none

	thorough *thorough // of a thorough search, else nil
}

// step says that a beacon needs a slot in place of the one it gives up, which
// the beacon of step before takes.
type step struct {
	id     int
	lost   int // slot given up; -1 at the start of a chain
	slot   int // which the one before takes; another one if only a share of the day is given up
	before int
	along  []int32 // who moves to slot with the one before
	from   int     // which they leave
}

// end is where a chain ends: the last step finds a place in slot, or, with
// slot -1, simply loses its own.
type end struct {
	step, slot int
}

func newLeveller(b *board, aim []int) *leveller {
	return &leveller{
		board: b, aim: aim, atSite: b.bySite(),
		done: make([]bool, b.count), seen: make([]int32, len(b.beacons)), exhausted: make([]int32, len(b.cells)),
		gathered: make([]gathered, 2*len(b.sites)),
	}
}

// compare compares what two beacons would have been granted, in proportion to
// their demand and priority, with so many transmissions in the plan.
func (m *model) compare(a, granted, b, other int) int {
	x, y := &m.beacons[a], &m.beacons[b]
	ah, al := bits.Mul64(uint64(x.past+granted), uint64(y.whole)*uint64(y.priority))
	bh, bl := bits.Mul64(uint64(y.past+other), uint64(x.whole)*uint64(x.priority))
	return cmp.Or(cmp.Compare(ah, bh), cmp.Compare(al, bl))
}

// large is the number of beacons above which the work of levelling is bounded.
const large = 200

// run raises beacons, lowest first, until nobody can be raised. A chain may open
// a way for somebody who was given up before; so in a network that is not too
// large all are asked again, a few times at most. In a larger
// one the work is bounded, so that a plan is never late for the sake of the
// last transmission. In a small one those for whom no chain is left are asked once
// more, thoroughly.
func (l *leveller) run(progress Progress) error {
	const again, enough = 4, 5000
	rounds := again
	switch l.hasty = l.count > large; {
	case l.hasty:
		rounds, l.work = 1, max(enough, l.count)
	case l.count*l.slots <= small:
		rounds = 2 * again
	}
	for i := 0; i < rounds; i++ {
		if i == again {
			l.beThorough()
		}
		clear(l.done)
		raised, err := l.round(func(done, total int) bool { return progress(i*total+done, rounds*total) })
		switch {
		case err != nil:
			return err
		case !raised && i < again && rounds > again:
			i = again - 1
		case !raised:
			return nil
		}
	}
	return nil
}

func (l *leveller) round(progress Progress) (raised bool, err error) {
	order := newRanking(l)
	all, most := order.Len(), order.Len() // those left become fewer, if not steadily
	for order.Len() > 0 && (!l.hasty || l.work > 0) {
		most = min(most, order.Len())
		if progress(all-most, all) {
			return raised, ErrStopped
		}
		id := order.pop()
		if l.done[id] || len(l.sent[id]) >= l.aim[id] || l.thorough != nil && !l.spareFor(id) {
			continue
		}
		losers, ok := l.raise(id)
		if !ok {
			continue
		}
		raised = true
		for _, id := range append(losers, id) {
			if !l.done[id] {
				order.push(id)
			}
		}
	}
	return raised, nil
}

// raise gives a beacon one more transmission, for which others may have to pay.
func (l *leveller) raise(root int) (losers []int, ok bool) {
	l.search++
	l.refused, l.rich = false, 0
	if l.thorough == nil {
		l.seen[root] = l.search
	}
	l.steps = append(l.steps[:0], step{id: root, lost: -1, slot: -1, before: -1})
	for i := 0; i < len(l.steps); i++ {
		if l.expand(i) {
			return nil, true
		}
		if loser, ok := l.charge(root, i); ok {
			return []int{loser}, true
		}
		l.rich = 0
	}
	if l.shift(root) {
		return nil, true
	}
	if !l.hasty {
		if losers := l.clear(root); losers != nil {
			return losers, true
		}
	}
	l.done[root] = true
	for _, s := range l.steps {
		l.done[s.id] = l.done[s.id] || !l.refused || l.hasty
	}
	return nil, false
}

// charge has one of those pay who follow step i and stay better off than the root was:
// who stays best off, or in a thorough search, if that turns out to be against a rule,
// the first for whom it is not. There, who was to make room by having others move
// along may also just leave.
func (l *leveller) charge(root, i int) (loser int, ok bool) {
	var payers []int
	for j := len(l.steps) - 1; j > 0 && l.steps[j].before == i; j-- {
		if l.compare(l.steps[j].id, l.left(j), root, len(l.sent[root])) > 0 {
			payers = append(payers, j)
		}
	}
	slices.SortStableFunc(payers, func(a, b int) int { return l.compare(l.steps[b].id, l.left(b), l.steps[a].id, l.left(a)) })
	if l.thorough == nil && len(payers) > 1 {
		payers = payers[:1]
	}
	for _, j := range payers {
		s := l.steps[j]
		if l.apply(end{step: j, slot: -1}) {
			return s.id, true
		}
		if l.thorough == nil || s.slot == s.lost {
			continue
		}
		l.steps = append(l.steps, step{id: s.id, lost: s.lost, slot: s.lost, before: i})
		if l.apply(end{step: len(l.steps) - 1, slot: -1}) {
			return s.id, true
		}
		l.steps = l.steps[:len(l.steps)-1]
	}
	return 0, false
}

// left is what a beacon has when it has given up the slot of a step.
func (l *leveller) left(step int) int { return len(l.sent[l.steps[step].id]) - 1 }

// expand looks at every slot for step i until one is free and the chain to it
// can be carried out. Those who could give a slot up are added to the steps.
func (l *leveller) expand(i int) (raised bool) {
	l.work--
	s := l.steps[i]
	x := &l.beacons[s.id]
	l.look(&l.view, s.id, s.lost)
	if l.follow(i) {
		return true
	}
	middle := l.middle(s)
	for d := range 2 * l.slots {
		t := middle + (d+1)/2
		if d%2 == 1 {
			t = middle - (d+1)/2
		}
		if t < l.frozen || t >= l.slots || !x.any.set.has(t) || t == s.lost && t == s.slot || l.view.limits(t) != 0 && !l.leased(s.id, t) {
			continue
		}
		if l.known(s, t) {
			continue
		}
		if !l.fitsAgain(s, t) {
			if l.suspects(i, t); l.rich > 0 {
				return false
			}
		} else if l.apply(end{step: i, slot: t}) {
			return true
		}
	}
	return false
}

// follow moves a beacon that gives up part of a share along into the slot for
// which it does: the site is on the air there instead of here.
func (l *leveller) follow(i int) bool {
	s := l.steps[i]
	if s.slot == s.lost || s.lost < 0 || !l.beacons[s.id].any.set.has(s.slot) || l.view.limits(s.slot) != 0 {
		return false
	}
	refused := l.refused
	ok := l.apply(end{step: i, slot: s.slot})
	l.refused = refused
	return ok
}

// fitsAgain is fits for a beacon that gives a slot up, which may be this very one,
// for another band.
func (l *leveller) fitsAgain(s step, t int) bool {
	if t != s.lost && !l.freesShare(s) {
		return l.fits(s.id, t)
	}
	was := l.take(s.id, s.lost)
	defer l.put(s.id, s.lost, int(was.use), was.kind, was.hz)
	return l.fits(s.id, t)
}

// leased tells whether a beacon may use slot t because it holds a lease for it.
func (l *leveller) leased(id, t int) bool {
	_, ok := l.held(id, t)
	return ok && l.ownLimits(id, t) == 0
}

// middle is where one more transmission would best stand: in the middle of the
// widest gap, or near the slot that is given up.
func (l *leveller) middle(s step) int {
	if s.lost >= 0 {
		return s.lost
	}
	middle, widest, last := l.slots/2, 0, 0
	for _, g := range l.sent[s.id] {
		if gap := int(g.slot) - last; gap > widest {
			widest, middle = gap, (int(g.slot)+last)/2
		}
		last = int(g.slot)
	}
	if l.slots-last > widest {
		middle = (l.slots + last) / 2
	}
	return middle
}

func (l *leveller) movable(k kind) bool {
	return k == planned || k == kept && l.moves > 0
}

// apply carries a chain out from its end to its start; if a move turns out to be
// against a rule after all, everything is put back.
func (l *leveller) apply(e end) bool {
	var log []move
	slot := e.slot
	for at := e.step; at >= 0; at = l.steps[at].before {
		s := l.steps[at]
		if s.lost >= 0 && !l.lead([]int32{int32(s.id)}, s.lost, &log) || !l.lead(s.along, s.from, &log) ||
			slot >= 0 && !l.bring([]int32{int32(s.id)}, slot, &log) || !l.bring(s.along, s.slot, &log) {
			l.undo(log)
			l.refused = true
			return false
		}
		slot = s.slot
	}
	if !l.pay(log) {
		l.undo(log)
		l.refused = true
		return false
	}
	return true
}

// pay counts the moves of the plan in force, unless they are more than may be made.
func (l *leveller) pay(log []move) bool {
	due := costs(log)
	if due > l.moves {
		return false
	}
	l.moves -= due
	return true
}

// costs counts what is moved of the plan in force.
func costs(log []move) (count int) {
	for _, m := range log {
		if m.taken && m.was.kind == kept {
			count++
		}
	}
	return count
}

// move is one change of the board, for undoing it.
type move struct {
	id    int
	was   sending
	taken bool
}

func (b *board) undo(log []move) {
	for _, m := range slices.Backward(log) {
		if m.taken {
			b.put(m.id, int(m.was.slot), int(m.was.use), m.was.kind, m.was.hz)
		} else {
			b.take(m.id, int(m.was.slot))
		}
	}
}
