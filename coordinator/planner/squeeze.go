package planner

// deepest is how many beacons of one slot may change bands to make room.
const deepest = 2

// fits tells whether a beacon finds a place in slot t, on any of its bands, if
// others in the slot may change theirs.
func (l *leveller) fits(id, t int) bool {
	if l.busy[t] > crowded {
		return l.direct(id, t)
	}
	log := l.log[:0]
	ok := l.squeeze(id, t, deepest, &log)
	l.undo(log)
	l.log = log
	return ok
}

// direct tells whether a band is free as things are.
func (b *board) direct(id, t int) bool {
	for u := range b.beacons[id].uses {
		if b.limits(id, u, t, true) == 0 {
			return true
		}
	}
	return false
}

// squeeze puts a beacon into slot t. Where its bands are taken it has others in
// the slot move to another of theirs, one deeper at a time. The moves are added
// to log; if it returns false there are none.
func (l *leveller) squeeze(id, t, depth int, log *[]move) bool {
	const ofBand = LimitNear | LimitSignals | LimitWindow | LimitTogether | LimitListen
	x := &l.beacons[id]
	var found Limit
	for u := range x.uses {
		if !x.uses[u].opens(t) {
			continue
		}
		limits := l.limits(id, u, t, depth == 0)
		if limits == 0 {
			l.put(id, t, u, planned, 0)
			*log = append(*log, move{id: id, was: sending{slot: int32(t)}})
			return true
		}
		if limits&^ofBand == 0 {
			found |= limits
		}
	}
	if depth == 0 || found == 0 || found == LimitSignals && !l.roomAnywhere(t) {
		return false
	}
	for u := range x.uses {
		if x.uses[u].opens(t) && l.displace(id, u, t, depth, log) {
			return true
		}
	}
	return false
}

func (b *board) roomAnywhere(t int) bool {
	for k := range b.bands {
		if len(*b.cell(t, int32(k))) < b.bands[k].fits {
			return true
		}
	}
	return false
}

// displace puts a beacon on a band in place of one signal that moves elsewhere.
func (l *leveller) displace(id, u, t, depth int, log *[]move) bool {
	x := &l.beacons[id]
	band := x.uses[u].band
	near := 0
	for _, g := range *l.cell(t, band) {
		if l.bands[band].isNear(g.site, x.site) {
			near++
		}
	}
	if near > 1 {
		return false
	}
	cell := append([]signal(nil), *l.cell(t, band)...)
	for _, g := range cell {
		other := int(g.beacon)
		if near == 1 && !l.bands[band].isNear(g.site, x.site) || !l.movable(g.kind) || len(l.beacons[other].uses) < 2 || len(l.lease[other]) > 0 {
			continue
		}
		mark := len(*log)
		*log = append(*log, move{id: other, was: l.take(other, t), taken: true})
		if l.limits(id, u, t, true) == 0 {
			l.put(id, t, u, planned, 0)
			*log = append(*log, move{id: id, was: sending{slot: int32(t)}})
			if l.squeeze(other, t, depth-1, log) {
				return true
			}
		}
		l.undo((*log)[mark:])
		*log = (*log)[:mark]
	}
	return false
}
