package planner

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
		if l.seen[other] == l.search {
			continue
		}
		if at := l.giving(s, int(other), t, found); at >= 0 {
			l.suspectDay(i, t, int(other), at)
		}
	}
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
		l.seen[other] = l.search
		l.steps = append(l.steps, step{id: other, lost: at, slot: t, before: i})
	}
}
