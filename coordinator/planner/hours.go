package planner

// hourly sees that every beacon meets each of its bands in every hour of the day
// in which an even spread would put a visit. Where a band is taken by others at
// some hours, the weights alone leave it out there for good. One visit is enough:
// a transmission in that hour changes to the band, or comes from a slot beside it
// within its window, and another one gives the band up in exchange at an hour that
// has more.
type hourly struct {
	*board
	view view
	met  [][24]int // by band of the beacon at hand
	due  [][24]bool

	tried int // changes for the hour at hand
}

const hours = 24

func (b *board) meetHours() (moved bool) {
	m := &hourly{board: b}
	var everywhere [hours]int // slots of each hour
	for t := range b.slots {
		everywhere[b.hour(t)]++
	}
	for id := range b.beacons[:b.count] {
		if b.beacons[id].pairs || !b.hasNew(id) || !m.tallyHours(id, everywhere) {
			continue // a pair stays on its band
		}
		for u := range m.met {
			for h := range hours {
				if m.due[u][h] && m.met[u][h] == 0 {
					moved = m.meet(id, u, h) || moved
				}
			}
		}
	}
	return moved
}

// tallyHours counts a beacon's visits, and tells whether any is missing.
func (m *hourly) tallyHours(id int, everywhere [hours]int) (missing bool) {
	x := &m.beacons[id]
	m.met, m.due = make([][hours]int, len(x.uses)), make([][hours]bool, len(x.uses))
	visits := make([]int, len(x.uses))
	for _, s := range m.sent[id] {
		visits[s.use]++
		m.met[s.use][m.hour(int(s.slot))]++
	}
	for u := range x.uses {
		open, all := everywhere, m.slots
		if !x.uses[u].always {
			open, all = [hours]int{}, x.uses[u].open.count()
			for t := range m.slots {
				if x.uses[u].opens(t) {
					open[m.hour(t)]++
				}
			}
		}
		for h := range hours {
			m.due[u][h] = visits[u] > 0 && open[h] > 0 && visits[u]*open[h] >= all
			missing = missing || m.due[u][h] && m.met[u][h] == 0
		}
	}
	return missing
}

// spare tells whether a visit can leave its hour.
func (m *hourly) spare(s sending) bool {
	h := m.hour(int(s.slot))
	return m.met[s.use][h] > 1 || !m.due[s.use][h]
}

// meet looks in every slot of an hour for a transmission that can be on a band.
func (m *hourly) meet(id, use, hour int) bool {
	const enough = 100
	m.tried = 0
	for t := m.frozen; t < m.slots && m.tried < enough; t++ {
		if m.hour(t) != hour || !m.beacons[id].uses[use].opens(t) {
			continue
		}
		at, on := m.find(id, t)
		for _, j := range [...]int{at, at - 1, at + 1} {
			if on && j != at || j < 0 || j >= len(m.sent[id]) || m.sent[id][j].kind != planned || !m.spare(m.sent[id][j]) {
				continue
			}
			if m.change(id, j, use, t) {
				return true
			}
		}
	}
	return false
}

// change brings transmission j to a band in slot t, if the beacon's counts on its
// bands stay as near to the weights as they are, or within one.
func (m *hourly) change(id, j, use, t int) bool {
	was := m.sent[id][j]
	if from := int(was.slot); from != t {
		first, last := m.window(id, j)
		m.look(&m.view, id, from)
		if t < first || t > last || m.view.limits(t) != 0 {
			return false
		}
	}
	most := max(m.bandDeviation(id), one-near)
	log := []move{{id: id, was: m.take(id, int(was.slot)), taken: true}}
	if m.limits(id, use, t, true) != 0 {
		m.undo(log)
		return false
	}
	m.tried++
	m.put(id, t, use, planned, 0)
	log = append(log, move{id: id, was: sending{slot: int32(t)}})
	// Even on the same band: where other bands are open, the weights ask for others.
	if m.bandDeviation(id) <= most || int(was.use) != use && m.exchange(id, t, use, int(was.use), most) {
		m.book(was, t, use)
		return true
	}
	m.undo(log)
	return false
}

func (m *hourly) book(was sending, t, use int) {
	m.met[was.use][m.hour(int(was.slot))]--
	m.met[use][m.hour(t)]++
}

// exchange has another transmission, one near slot t, give the band up for the
// other one.
func (m *hourly) exchange(id, t, use, other int, most int64) bool {
	const enough = 50
	tried := 0
	at, _ := m.find(id, t)
	for d := 2; d < 2*len(m.sent[id]) && tried < enough; d++ {
		j := at + d/2
		if d%2 == 1 {
			j = at - d/2
		}
		if j < 0 || j >= len(m.sent[id]) {
			continue
		}
		s := m.sent[id][j]
		slot := int(s.slot)
		if int(s.use) != use || s.kind != planned || slot < m.frozen || !m.spare(s) {
			continue
		}
		m.take(id, slot)
		if m.limits(id, other, slot, true) == 0 {
			tried++
			m.put(id, slot, other, planned, 0)
			if m.bandDeviation(id) <= most {
				m.book(s, slot, other)
				return true
			}
			m.take(id, slot)
		}
		m.put(id, slot, use, s.kind, s.hz)
	}
	return false
}

// bandDeviation is the largest difference so far between a beacon's transmissions
// on a band and what the weights ask for.
func (b *board) bandDeviation(id int) (worst int64) {
	x := &b.beacons[id]
	l := newLedger(len(x.uses))
	for _, s := range b.sent[id] {
		l.book(x, int(s.slot), int(s.use))
		for u := range x.uses {
			worst = max(worst, l.asked[u]-l.had[u], l.had[u]-l.asked[u])
		}
	}
	return worst
}
