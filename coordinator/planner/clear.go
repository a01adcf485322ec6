package planner

import "slices"

// cleared is a slot that several leave for one.
type cleared struct {
	slot   int
	losers []int // richest first
}

// clear raises a beacon for which more than one would have to give up the same slot,
// what a chain asks of nobody. All who do stay better off than it was, so that the
// plan becomes fairer though the sum becomes less. It takes the slot that costs the
// fewest, and of those the one whose poorest loser stays best off.
func (l *leveller) clear(root int) (losers []int) {
	rich := l.richer(root)
	if len(rich) < 2 {
		return nil
	}
	l.look(&l.view, root, -1)
	var best cleared
	for t, leaving := range l.couldLeave(rich) {
		if leaving < 2 || t < l.frozen || !l.beacons[root].any.set.has(t) || l.view.limits(t) != 0 {
			continue
		}
		if _, on := l.find(root, t); on || !l.mayClear(root, t, rich) {
			continue
		}
		var log []move
		found := l.empty(root, t, rich, &log)
		l.undo(log)
		if found != nil && costs(log) <= l.moves && (best.losers == nil || l.cheaper(found, best.losers)) {
			best = cleared{t, found}
		}
	}
	if best.losers == nil {
		return nil
	}
	var log []move
	if l.empty(root, best.slot, best.losers, &log); !l.bring([]int32{int32(root)}, best.slot, &log) || !l.pay(log) {
		l.undo(log)
		return nil
	}
	return best.losers
}

// richer lists those who with one transmission less stay better off than a beacon
// is, the richest first.
func (l *leveller) richer(root int) (list []int) {
	for id := range l.beacons[:l.count] {
		if n := len(l.sent[id]); n > 0 && l.compare(id, n-1, root, len(l.sent[root])) > 0 {
			list = append(list, id)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int { return l.compare(b, len(l.sent[b])-1, a, len(l.sent[a])-1) })
	return list
}

// cheaper tells whether one list of losers costs less than another.
func (l *leveller) cheaper(list, than []int) bool {
	if len(list) != len(than) {
		return len(list) < len(than)
	}
	a, b := list[len(list)-1], than[len(than)-1]
	return l.compare(a, len(l.sent[a]), b, len(l.sent[b])) > 0
}

// couldLeave counts by slot who of a list is there and may leave.
func (l *leveller) couldLeave(list []int) []int32 {
	there := make([]int32, l.slots)
	for _, id := range list {
		for _, g := range l.sent[id] {
			if _, held := l.held(id, int(g.slot)); l.movable(g.kind) && !held {
				there[g.slot]++
			}
		}
	}
	return there
}

// mayClear tells whether a beacon's site and equipment, and one of its bands, could be
// free in slot t without those of a list: a question that costs less than to try.
func (l *leveller) mayClear(root, t int, list []int) bool {
	x := &l.beacons[root]
	loads := l.loads(t)
	for _, r := range x.resources {
		if loads[r] >= l.room[r] && !slices.ContainsFunc(list, func(id int) bool { return l.uses(id, t, r) }) {
			return false
		}
	}
	for u := range x.uses {
		band := x.uses[u].band
		if x.uses[u].opens(t) && !slices.ContainsFunc(*l.cell(t, band), func(g signal) bool {
			return l.bands[band].isNear(g.site, x.site) && !slices.Contains(list, int(g.beacon))
		}) {
			return true
		}
	}
	return false
}

// uses tells whether a beacon uses a resource in slot t.
func (l *leveller) uses(id, t int, resource int32) bool {
	if !slices.Contains(l.beacons[id].resources, resource) {
		return false
	}
	_, on := l.find(id, t)
	return on
}

// empty has beacons of a list leave slot t for a beacon to fit there: all of them, and
// then those come back, the last in the list first, who were not in the way. The moves
// are added to log.
func (l *leveller) empty(root, t int, list []int, log *[]move) (losers []int) {
	var gone []move
	for _, id := range list {
		at, on := l.find(id, t)
		if _, held := l.held(id, t); on && !held && l.movable(l.sent[id][at].kind) {
			gone = append(gone, move{id: id, was: l.take(id, t), taken: true})
		}
	}
	if !l.fits(root, t) {
		l.undo(gone)
		return nil
	}
	for i, m := range slices.Backward(gone) {
		if l.undo(gone[i : i+1]); l.fits(root, t) {
			continue
		}
		l.take(m.id, t)
		*log = append(*log, m)
		losers = append(losers, m.id)
	}
	slices.Reverse(losers)
	return losers
}
