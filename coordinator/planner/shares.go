package planner

import (
	"math"
	"math/bits"
	"slices"
)

// suspectShares adds beacons of the same site that could give up part of a quiet
// or listen share on the day of slot t, if nothing else bars step i there: they
// leave a slot in which the site is otherwise silent, or the band.
func (l *leveller) suspectShares(i, t int) {
	id := l.steps[i].id
	x := &l.beacons[id]
	s := &l.sites[x.site]
	if s.quiet < 0 && len(s.listen) == 0 {
		return
	}
	var found Limit
	for u := range x.uses {
		if limits := l.limits(id, u, t, false); limits&^(LimitQuiet|LimitListen) == 0 {
			found |= limits
		}
	}
	if found == 0 {
		return
	}
	for _, other := range l.atSite[x.site] {
		if l.thorough != nil {
			l.suspectAll(i, t, int(other), found)
			continue
		}
		if l.seen[other] == l.search {
			continue
		}
		if at := l.giving(s, int(other), t, found); at >= 0 {
			l.suspectDay(i, t, int(other), at)
		}
	}
	if found&LimitQuiet != 0 {
		l.suspectWhole(i, t)
	}
}

// freesShare tells whether a beacon that gives a slot up leaves part of its site's
// shares to itself: the one that takes the slot is at another site.
func (l *leveller) freesShare(s step) bool {
	if s.lost < 0 {
		return false
	}
	site := l.beacons[s.id].site
	return (l.sites[site].quiet >= 0 || len(l.sites[site].listen) > 0) && l.beacons[l.steps[s.before].id].site != site
}

// shift raises a beacon by having its site silent in another slot of the day: all
// who send there, and leave room for one more, move along with it to a slot in
// which the site is silent now. It looks at the nearest few for each.
func (l *leveller) shift(root int) bool {
	x := &l.beacons[root]
	s := &l.sites[x.site]
	if s.quiet < 0 || l.hasty && l.work <= 0 {
		return false
	}
	l.look(&l.view, root, -1)
	for t := l.frozen; t < l.slots; t++ {
		if l.loads(t)[s.resource] > 0 || !x.any.set.has(t) || l.view.limits(t) != 0 || l.barred(root, t) != LimitQuiet {
			continue
		}
		l.work--
		for _, near := range l.nearest(root, t, 0, l.room[s.resource]-1) {
			if l.moveAlong(root, t, near.slot, near.there) {
				return true
			}
		}
	}
	return false
}

// barred returns what bars a beacon from a slot on the open band on which least does.
func (l *leveller) barred(id, t int) Limit {
	least := ^Limit(0)
	for u := range l.beacons[id].uses {
		if !l.beacons[id].uses[u].opens(t) {
			continue
		}
		if found := l.limits(id, u, t, false); bits.OnesCount32(uint32(found)) < bits.OnesCount32(uint32(least)) {
			least = found
		}
	}
	return least
}

// moveAlong moves beacons from one slot to another where another comes in too.
func (l *leveller) moveAlong(root, t, at int, there []int32) bool {
	var log []move
	if l.lead(there, at, &log) && l.bring(append([]int32{int32(root)}, there...), t, &log) && l.pay(log) {
		return true
	}
	l.undo(log)
	return false
}

// busy is a slot in which a site transmits, and who does there.
type busy struct {
	slot  int
	there []int32
}

// nearest lists a few slots of the day of t, those near it first, in which others of
// a beacon's site send, so many at most, and all may move: all but so many losers to t.
func (l *leveller) nearest(id, t int, losers, most uint8) (list []busy) {
	const few = 6
	all := l.gather(l.beacons[id].site, losers, most)
	above, _ := slices.BinarySearchFunc(all, t+1, func(x busy, t int) int { return x.slot - t })
	below := above - 1
	if below >= 0 && all[below].slot == t {
		below--
	}
	for len(list) < few {
		up := above < len(all) && l.dayOf[all[above].slot] == l.dayOf[t]
		down := below >= 0 && l.dayOf[all[below].slot] == l.dayOf[t]
		var near busy
		switch {
		case up && (!down || all[above].slot-t <= t-all[below].slot):
			near = all[above]
			above++
		case down:
			near = all[below]
			below--
		default:
			return list
		}
		if !slices.Contains(near.there, int32(id)) && l.closed(near.there, t) <= int(losers) {
			list = append(list, near)
		}
	}
	return list
}

// gathered is what gather found in a search.
type gathered struct {
	search int32
	slots  []busy
}

// gather lists the slots in which beacons of a site send, more than so many losers and
// so many at most, none of them bound to it. A search asks for this again and again,
// and the board is the same each time.
func (l *leveller) gather(site int32, losers, most uint8) []busy {
	g := &l.gathered[2*int(site)+int(min(losers, 1))]
	if g.search == l.search {
		return g.slots
	}
	g.search, g.slots = l.search, g.slots[:0]
	resource := l.sites[site].resource
	for t := l.frozen; t < l.slots; t++ {
		if load := l.loads(t)[resource]; load <= losers || load > most {
			continue
		}
		if there, ok := l.together(site, t); ok {
			g.slots = append(g.slots, busy{t, there})
		}
	}
	return g.slots
}

// closed counts those of a list who may not transmit in slot t.
func (l *leveller) closed(list []int32, t int) (n int) {
	for _, id := range list {
		if !l.beacons[id].any.set.has(t) {
			n++
		}
	}
	return n
}

// suspectWhole looks for a slot of the day in which the site could be silent
// instead of in slot t: one of those who send there gives its place up to step i,
// the others move along to t. It looks at the
// nearest few.
func (l *leveller) suspectWhole(i, t int) {
	id := l.steps[i].id
	for _, near := range l.nearest(id, t, 1, math.MaxUint8) {
		l.suspectOf(i, t, near.slot, near.there)
	}
}

// together lists who sends at a site in a slot; ok is false if one of them is bound
// to it.
func (l *leveller) together(site int32, at int) (list []int32, ok bool) {
	for _, other := range l.atSite[site] {
		j, on := l.find(int(other), at)
		if !on {
			continue
		}
		if _, held := l.held(int(other), at); held || !l.movable(l.sent[other][j].kind) {
			return nil, false
		}
		list = append(list, other)
	}
	return list, len(list) == int(l.loads(at)[l.sites[site].resource])
}

// suspectOf adds those of a slot who could leave it while the others move along.
func (l *leveller) suspectOf(i, t, at int, there []int32) {
	for k, loser := range there {
		if l.reached(int(loser), at) {
			continue
		}
		along := slices.Concat(there[:k], there[k+1:])
		log := l.log[:0]
		for _, other := range there {
			log = append(log, move{id: int(other), was: l.take(int(other), at), taken: true})
		}
		ok := l.squeeze(l.steps[i].id, t, deepest, &log) && l.bring(along, t, &log)
		l.undo(log)
		l.log = log
		if ok {
			l.reach(int(loser), at)
			l.steps = append(l.steps, step{id: int(loser), lost: at, slot: t, before: i, along: along, from: at})
		}
	}
}

// suspectBesides adds, in a thorough search, those each of whom with a quiet share
// keeps step i from slot t: the site is silent in another slot instead, of which it
// looks at the nearest few, and who sends there moves along to t.
func (l *leveller) suspectBesides(i, t int) {
	id := l.steps[i].id
	s := &l.sites[l.beacons[id].site]
	if l.thorough == nil || s.quiet < 0 {
		return
	}
	if barred := l.barred(id, t); barred&LimitQuiet == 0 || barred == LimitQuiet {
		return
	}
	for _, near := range l.nearest(id, t, 0, l.room[s.resource]-1) {
		var log []move
		first := len(l.steps)
		if l.lead(near.there, near.slot, &log) && l.bring(near.there, t, &log) {
			for _, other := range near.there {
				l.reach(int(other), t) // what comes along is not in the way
			}
			for k := range l.bands {
				l.suspectCell(i, t, int32(k))
			}
		}
		l.undo(log)
		for j := first; j < len(l.steps); j++ {
			l.steps[j].along, l.steps[j].from = near.there, near.slot
		}
	}
}

// lead takes beacons out of a slot, if all are still there.
func (l *leveller) lead(list []int32, at int, log *[]move) bool {
	for _, id := range list {
		if _, on := l.find(int(id), at); !on {
			return false
		}
		*log = append(*log, move{id: int(id), was: l.take(int(id), at), taken: true})
	}
	return true
}

// bring puts beacons into slot t.
func (l *leveller) bring(list []int32, t int, log *[]move) bool {
	for _, id := range list {
		if !l.beacons[id].any.set.has(t) || l.ownLimits(int(id), t) != 0 || !l.squeeze(int(id), t, deepest, log) {
			return false
		}
	}
	return true
}

// giving returns a slot of the day in which a beacon could give up part of a
// share, best one in which it can change to another band; -1 if there is none.
func (l *leveller) giving(s *siteModel, id, t int, found Limit) int {
	any := -1
	for _, g := range l.sent[id] {
		at := int(g.slot)
		if l.dayOf[at] != l.dayOf[t] || at == t || at < l.frozen || !l.movable(g.kind) || !l.gives(s, g, id, found) {
			continue
		}
		if found&LimitQuiet == 0 && l.elsewhere(id, at, int(g.use)) {
			return at
		}
		any = at
	}
	return any
}

// elsewhere tells whether a beacon could use another of its bands in its slot.
func (l *leveller) elsewhere(id, at, use int) bool {
	was := l.take(id, at)
	defer l.put(id, at, int(was.use), was.kind, was.hz)
	for u := range l.beacons[id].uses {
		if u != use && l.limits(id, u, at, true) == 0 {
			return true
		}
	}
	return false
}

// gives tells whether a site saves part of a share without a signal.
func (l *leveller) gives(s *siteModel, g sending, id int, found Limit) bool {
	if found&LimitQuiet != 0 && l.loads(int(g.slot))[s.resource] == 1 {
		return true
	}
	for _, listen := range s.listen {
		if found&LimitListen != 0 && listen.band == l.beacons[id].uses[g.use].band {
			return true
		}
	}
	return false
}

// suspectDay is suspect for a signal in another slot of the day.
func (l *leveller) suspectDay(i, t, other, at int) {
	was := l.take(other, at)
	ok := l.fits(l.steps[i].id, t)
	l.put(other, at, int(was.use), was.kind, was.hz)
	if ok {
		l.reach(other, at)
		l.steps = append(l.steps, step{id: other, lost: at, slot: t, before: i})
	}
}
