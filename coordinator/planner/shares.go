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
		for _, g := range l.sent[other] {
			if l.dayOf[g.slot] == l.dayOf[t] && int(g.slot) != t && int(g.slot) >= l.frozen && l.gives(s, g, int(other), found) && l.movable(g.kind) {
				l.suspectDay(i, t, int(other), int(g.slot))
				break
			}
		}
	}
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
