package planner

import "slices"

// trader brings the counts on the bands nearer to the weights where airtime is
// scarce and a slot was taken on whatever band was free. It looks at the whole plan
// at once, as no step before does: a transmission changes to another band, where it
// is or in a slot beside it, and who is in the way changes bands in turn, or
// changes slots with it at the same site. How many everybody has, and in which of
// its windows, stays as it is.
//
// What it lowers is the sum, over beacons, bands and transmissions so far, of the
// squared difference from what the weights ask for. When transmission j goes from
// one band to another, the difference on both moves by one from j on, so that
// sums of differences from j on tell at once what that is worth.
type trader struct {
	*board
	rest   [][]int64 // by beacon: sums of differences from a transmission on, by band
	atSite [][]int32
	view   view
	other  view
	work   int // places that may still be looked at
}

// trade tells whether anything was moved.
func (b *board) trade() (moved bool) {
	const enough, rounds = 200_000, 2
	d := &trader{board: b, rest: make([][]int64, b.count), atSite: b.bySite(), work: enough}
	balancer := newBalancer(b, nil)
	balancer.trader = d
	for range rounds {
		again := false
		for t := b.frozen; t < b.slots; t++ {
			again = balancer.slot(t) || again
		}
		for id := range b.beacons[:b.count] {
			if b.trades(id) && b.bandDeviation(id) >= one {
				again = d.settle(id) || again
			}
		}
		if !again {
			break
		}
		moved = true
	}
	return moved
}

// trades tells whether a beacon may change bands: a pair stays on its own.
func (b *board) trades(id int) bool {
	x := &b.beacons[id]
	return len(x.uses) > 1 && !x.pairs && len(b.lease[id]) == 0
}

// ways enters what it is worth for a signal to move to its other bands.
func (d *trader) ways(t, k int, g signal, edges []edge) {
	id, n := int(g.beacon), len(d.bands)+1
	if !d.trades(id) {
		return
	}
	at, _ := d.find(id, t)
	for v := range d.beacons[id].uses {
		if v == int(g.use) || !d.beacons[id].uses[v].opens(t) {
			continue
		}
		cost := d.worth(id, at, v)
		if e := &edges[k*n+int(d.beacons[id].uses[v].band)]; cost < e.cost {
			*e = edge{cost: cost, id: g.beacon, use: int32(v)}
		}
	}
}

// settle goes over the transmissions of a beacon.
func (d *trader) settle(id int) (moved bool) {
	x := &d.beacons[id]
	for j := range d.sent[id] {
		s := d.sent[id][j]
		if s.kind != planned || int(s.slot) < d.frozen {
			continue
		}
		for u := range x.uses {
			if d.work <= 0 {
				return moved
			}
			if worth := d.worth(id, j, u); worth < 0 && (d.here(id, j, u, worth) || d.beside(id, j, u, worth)) {
				moved = true
				break
			}
		}
	}
	return moved
}

// worth is by how much the sum changes when transmission j goes to another band.
func (d *trader) worth(id, j, u int) int64 {
	n, uses, s := len(d.sent[id]), len(d.beacons[id].uses), d.sent[id][j]
	if int(s.use) == u || !d.beacons[id].uses[u].opens(int(s.slot)) {
		return 0
	}
	if len(d.rest[id]) != n*uses {
		d.measure(id)
	}
	return d.rest[id][j*uses+int(s.use)] - d.rest[id][j*uses+u] + int64(n-j)*one
}

// measure sums the differences.
func (d *trader) measure(id int) {
	x, n := &d.beacons[id], len(d.sent[id])
	uses := len(x.uses)
	rest := slices.Grow(d.rest[id][:0], n*uses)[:n*uses]
	l := newLedger(uses)
	for j, s := range d.sent[id] {
		l.book(x, int(s.slot), int(s.use))
		for u := range uses {
			rest[j*uses+u] = l.asked[u] - l.had[u]
		}
	}
	for i := (n-1)*uses - 1; i >= 0; i-- {
		rest[i] += rest[i+uses]
	}
	d.rest[id] = rest
}

// here changes the band in the slot itself.
func (d *trader) here(id, j, u int, worth int64) bool {
	t := int(d.sent[id][j].slot)
	was := d.take(id, t)
	if d.enter(id, u, t, worth) {
		return true
	}
	d.put(id, t, int(was.use), was.kind, was.hz)
	return false
}

// beside changes the band and the slot, within the transmission's window.
func (d *trader) beside(id, j, u int, worth int64) bool {
	first, last := d.window(id, j)
	from := int(d.sent[id][j].slot)
	d.look(&d.view, id, from)
	for t := max(first, d.frozen); t <= min(last, d.slots-1); t++ {
		if t == from || !d.alike(id, from, t) || d.view.limits(t) != 0 {
			continue
		}
		was := d.take(id, from)
		if d.enter(id, u, t, worth) {
			return true
		}
		d.put(id, from, int(was.use), was.kind, was.hz)
		if d.swap(id, u, from, t, worth) {
			return true
		}
	}
	return false
}

// enter puts a beacon that has been taken off the board on a band in slot t, if
// need be in place of one that changes to another band there.
func (d *trader) enter(id, u, t int, worth int64) bool {
	d.work--
	found := d.limits(id, u, t, false)
	if found == 0 {
		d.put(id, t, u, planned, 0)
		d.measure(id)
		return true
	}
	if found&^(LimitNear|LimitSignals|LimitWindow) != 0 {
		return false
	}
	for _, g := range slices.Clone(*d.cell(t, d.beacons[id].uses[u].band)) {
		other := int(g.beacon)
		if g.kind != planned || other >= d.count || !d.trades(other) {
			continue
		}
		at, _ := d.find(other, t)
		for v := range d.beacons[other].uses {
			if v == int(g.use) || !d.beacons[other].uses[v].opens(t) || worth+d.worth(other, at, v) >= 0 {
				continue
			}
			was := d.take(other, t)
			if d.both(id, u, t, other, v, t) {
				return true
			}
			d.put(other, t, int(was.use), was.kind, was.hz)
		}
	}
	return false
}

// both puts two beacons that have been taken off the board on it, or neither.
func (d *trader) both(id, u, t, other, v, at int) bool {
	d.work--
	if d.limits(id, u, t, true) != 0 {
		return false
	}
	d.put(id, t, u, planned, 0)
	if d.limits(other, v, at, true) != 0 {
		d.take(id, t)
		return false
	}
	d.put(other, at, v, planned, 0)
	d.measure(id)
	d.measure(other)
	return true
}

// swap exchanges slots with another beacon of the site, each within its window.
func (d *trader) swap(id, u, from, t int, worth int64) bool {
	for _, c := range d.atSite[d.beacons[id].site] {
		c := int(c)
		at, on := d.find(c, t)
		if c == id || !on || d.sent[c][at].kind != planned || d.beacons[c].pairs || len(d.lease[c]) > 0 {
			continue
		}
		first, last := d.window(c, at)
		if from < first || from > last || !d.alike(c, from, t) {
			continue
		}
		d.look(&d.other, c, t)
		if d.other.limits(from) != 0 {
			continue
		}
		for v := range d.beacons[c].uses {
			if v != int(d.sent[c][at].use) && worth+d.worth(c, at, v) >= 0 || !d.beacons[c].uses[v].opens(from) {
				continue
			}
			mine, theirs := d.take(id, from), d.take(c, t)
			if d.both(id, u, t, c, v, from) {
				return true
			}
			d.put(c, t, int(theirs.use), theirs.kind, theirs.hz)
			d.put(id, from, int(mine.use), mine.kind, mine.hz)
		}
	}
	return false
}
