package planner

import "slices"

// limits returns what keeps a beacon from using one of its bands in slot t, as
// far as others and the openings are concerned; 0 when nothing does. With
// quick it returns the first limit found.
func (b *board) limits(id, u, t int, quick bool) Limit {
	x := &b.beacons[id]
	way := &x.uses[u]
	if !way.opens(t) {
		return LimitOpen
	}
	if held, ok := b.held(id, t); ok {
		return b.limitsOfLease(id, u, t, held)
	}
	found := b.limitsOfSite(x, t, way.band)
	if quick && found != 0 {
		return found
	}
	return found | b.limitsOfBand(x, way, t, quick)
}

// limitsOfStanding is limits for a signal that stands clear of all others: whether
// the window has room for it need not be asked.
func (b *board) limitsOfStanding(id, u, t int) Limit {
	x := &b.beacons[id]
	way := &x.uses[u]
	if _, held := b.held(id, t); held || !way.opens(t) {
		return b.limits(id, u, t, true)
	}
	return b.limitsOfSite(x, t, way.band) | b.limitsOfCell(x, way, t)
}

// limitsOfLease lets a beacon use a slot that it holds a lease for only as the
// lease says, so that it cannot matter which orders it obeys.
func (b *board) limitsOfLease(id, u, t int, held sending) Limit {
	if int(held.use) != u {
		return LimitFixed
	}
	if _, ok := b.find(id, t); ok {
		return LimitBusy
	}
	if !b.stands(id, u, t, held.hz) {
		return LimitFixed
	}
	x := &b.beacons[id]
	b.lift(id, t, held)
	found := b.limitsOfSite(x, t, x.uses[u].band) | b.limitsOfBand(x, &x.uses[u], t, false)
	b.put(id, t, u, leased, held.hz)
	return found
}

func (b *board) limitsOfSite(x *beacon, t int, band int32) Limit {
	var found Limit
	loads := b.loads(t)
	s := &b.sites[x.site]
	for _, r := range x.resources {
		if loads[r] >= b.room[r] {
			if r == s.resource {
				found |= LimitSite
			} else {
				found |= LimitEquipment
			}
		}
	}
	day := b.dayOf[t]
	if s.quiet >= 0 && loads[s.resource] == 0 && b.rows[s.quiet][day] >= b.most[s.quiet][day] {
		found |= LimitQuiet
	}
	for _, l := range s.listen {
		if l.band == band && b.rows[l.row][day] >= b.most[l.row][day] {
			found |= LimitListen
		}
	}
	for _, pair := range s.apart {
		if pair[0] == band && b.siteOn(x.site, t, pair[1]) || pair[1] == band && b.siteOn(x.site, t, pair[0]) {
			found |= LimitTogether
		}
	}
	return found
}

func (b *board) siteOn(site int32, t int, band int32) bool {
	for _, g := range *b.cell(t, band) {
		if g.site == site {
			return true
		}
	}
	return false
}

func (b *board) limitsOfBand(x *beacon, way *use, t int, quick bool) Limit {
	found := b.limitsOfCell(x, way, t)
	if quick && found != 0 {
		return found
	}
	band, cell := &b.bands[way.band], *b.cell(t, way.band)
	if (len(cell) >= band.easy || t < b.frozen) && (len(cell) >= band.holds || !b.roomFor(way, t, cell)) {
		found |= LimitWindow
	}
	return found
}

// limitsOfCell asks how many, and who, use a band already.
func (b *board) limitsOfCell(x *beacon, way *use, t int) Limit {
	var found Limit
	band, cell := &b.bands[way.band], *b.cell(t, way.band)
	if len(cell) >= band.capacity {
		found |= LimitSignals
	}
	around := band.around(x.site)
	for i := range cell {
		if s := cell[i].site; s == x.site && s >= 0 || len(around) > 0 && slices.Contains(around, s) {
			return found | LimitNear
		}
	}
	return found
}
