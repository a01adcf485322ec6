package planner

// thorough is what a thorough search knows of each transmission by itself. Other
// searches reach a beacon once, by the first of its transmissions that is wanted.
// But what its own rules allow a beacon instead depends on which one it gives up,
// and which slots its site could be silent in on who moves along with it. So a
// thorough search reaches all of them, at a cost that only a small network bears.
//
// All lists are by beacon, then slot, and hold the search that was there last.
type thorough struct {
	lost     []int32 // to be given up
	gained   []int32 // looked at as one to take
	followed []int32 // to be taken by moving along
	view     view
}

// small is the number of beacons times slots up to which searches are thorough: the
// day of eleven beacons. There they take some tenths of a second, and beyond it
// grow with the square.
const small = 1 << 13

// spare tells whether a site has room in a slot that one of its beacons could use. If
// not, no chain can give it more, and none is worth a thorough search.
func (b *board) spare(site int32, there []int32) bool {
	s := &b.sites[site]
	if s.resource < 0 {
		return true
	}
	for t := b.frozen; t < b.slots; t++ {
		load := b.loads(t)[s.resource]
		if load >= b.room[s.resource] || load == 0 && s.quiet >= 0 && b.rows[s.quiet][b.dayOf[t]] >= b.most[s.quiet][b.dayOf[t]] {
			continue
		}
		for _, id := range there {
			if _, on := b.find(int(id), t); !on && b.beacons[id].any.set.has(t) {
				return true
			}
		}
	}
	return false
}

func (l *leveller) spareFor(id int) bool {
	site := l.beacons[id].site
	return l.spare(site, l.atSite[site])
}

func (l *leveller) beThorough() {
	n := len(l.beacons) * l.slots
	l.thorough = &thorough{lost: make([]int32, n), gained: make([]int32, n), followed: make([]int32, n)}
}

// reached tells whether this search has come to a beacon, or if it is thorough to
// what the beacon sends in slot t.
func (l *leveller) reached(id, t int) bool {
	if l.thorough != nil {
		return l.thorough.lost[id*l.slots+t] == l.search
	}
	return l.seen[id] == l.search
}

func (l *leveller) reach(id, t int) {
	if l.thorough != nil {
		l.thorough.lost[id*l.slots+t] = l.search
	} else {
		l.seen[id] = l.search
	}
}

// known tells a thorough search that it has looked at slot t for a beacon already.
func (l *leveller) known(s step, t int) bool {
	if l.thorough == nil || l.freesShare(s) {
		return false
	}
	gained := &l.thorough.gained[s.id*l.slots+t]
	if *gained == l.search {
		return true
	}
	*gained = l.search
	return false
}

// suspectAll is suspectDay for all slots of the day in which a beacon could give up
// part of a share, and once for each slot t to which it could move along.
func (l *leveller) suspectAll(i, t, id int, found Limit) {
	s := &l.sites[l.beacons[id].site]
	follower := &l.thorough.followed[id*l.slots+t]
	along := *follower != l.search && id != l.steps[i].id && found&LimitQuiet != 0 && l.beacons[id].any.set.has(t)
	for j := range l.sent[id] {
		g := l.sent[id][j]
		at := int(g.slot)
		if l.dayOf[at] != l.dayOf[t] || at == t || at < l.frozen || !l.movable(g.kind) || !l.gives(s, g, id, found) {
			continue
		}
		may := along && l.mayFollow(id, at, t)
		if may || !l.reached(id, at) {
			l.suspectDay(i, t, id, at)
		}
		if may {
			*follower, along = l.search, false
		}
	}
}

func (l *leveller) mayFollow(id, at, t int) bool {
	l.look(&l.thorough.view, id, at)
	return l.thorough.view.limits(t) == 0
}
