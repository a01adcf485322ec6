package planner

// suspects adds the beacons each of which alone keeps step i from slot t.
func (l *leveller) suspects(i, t int) {
	id := l.steps[i].id
	x := &l.beacons[id]
	if s := &l.sites[x.site]; s.resource >= 0 && l.loads(t)[s.resource] >= l.room[s.resource] {
		for _, other := range l.atSite[x.site] {
			l.suspect(i, t, int(other))
		}
		return
	}
	l.suspectShares(i, t)
	if l.busy[t] <= crowded { // all in the slot, as one may make room for another
		for k := range l.bands {
			l.suspectCell(i, t, int32(k))
		}
		l.suspectBesides(i, t)
		return
	}
	for u := range x.uses {
		if x.uses[u].opens(t) {
			l.suspectBand(i, t, u)
		}
	}
}

// suspectBand is suspectCell for a crowded slot, in which nobody changes bands.
// Whoever is at another site stands in the way on this band only, which can be
// told without lifting each from the board.
func (l *leveller) suspectBand(i, t, u int) {
	x := &l.beacons[l.steps[i].id]
	k := x.uses[u].band
	if l.exhausted[t*len(l.bands)+int(k)] == l.search || l.rich > 0 {
		return
	}
	band, cell := &l.bands[k], *l.cell(t, k)
	near := 0
	for _, g := range cell {
		if band.isNear(g.site, x.site) {
			near++
		}
	}
	barred := l.limitsOfSite(x, t, k) != 0
	switch {
	case len(cell) > band.easy || barred && near == 1 || l.equipmentFull(x, t):
		l.suspectCell(i, t, k)
		return
	case barred || near > 1:
		return
	}
	all := len(cell) >= band.fits
	for _, g := range cell {
		if (near == 0 || band.isNear(g.site, x.site)) && l.movable(g.kind) && len(l.lease[g.beacon]) == 0 {
			l.add(i, t, int(g.beacon))
		}
		all = all && l.reached(int(g.beacon), t)
	}
	if all {
		l.exhausted[t*len(l.bands)+int(k)] = l.search
	}
}

// equipmentFull tells whether equipment of a beacon, other than its site, is in
// use in slot t.
func (l *leveller) equipmentFull(x *beacon, t int) bool {
	loads := l.loads(t)
	for _, r := range x.resources {
		if loads[r] >= l.room[r] && r != l.sites[x.site].resource {
			return true
		}
	}
	return false
}

// crowded is how many signals of a slot are looked at whatever their band.
const crowded = 24

func (l *leveller) suspectCell(i, t int, band int32) {
	at := t*len(l.bands) + int(band)
	if l.exhausted[at] == l.search {
		return
	}
	all := len(*l.cell(t, band)) >= l.bands[band].fits
	l.others = append(l.others[:0], *l.cell(t, band)...)
	for _, g := range l.others {
		l.suspect(i, t, int(g.beacon))
		all = all && l.reached(int(g.beacon), t)
	}
	if all {
		l.exhausted[at] = l.search
	}
}

// suspect adds a beacon to the steps if there is a place without it.
func (l *leveller) suspect(i, t, other int) {
	if l.reached(other, t) || l.rich > 0 {
		return
	}
	at, on := l.find(other, t)
	if !on || !l.movable(l.sent[other][at].kind) {
		return
	}
	if _, held := l.held(other, t); held {
		return
	}
	was := l.take(other, t)
	ok := l.fits(l.steps[i].id, t)
	l.put(other, t, int(was.use), was.kind, was.hz)
	if ok {
		l.add(i, t, other)
	}
}

// add adds a beacon that gives up slot t to the steps.
func (l *leveller) add(i, t, other int) {
	if l.reached(other, t) || l.rich > 0 {
		return
	}
	l.reach(other, t)
	l.steps = append(l.steps, step{id: other, lost: t, slot: t, before: i})
	if root := l.steps[0].id; l.hasty && l.compare(other, len(l.sent[other])-1, root, len(l.sent[root])) > 0 {
		l.rich = len(l.steps) - 1
	}
}
