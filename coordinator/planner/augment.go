package planner

// augment finds room for a beacon in slot t by letting signals of the same slot
// change bands, one making room for the next, until a band with room is
// reached: an augmenting path from band to band, sought breadth first.
func (p *pass) augment(id, t int) bool {
	a := &p.path
	a.links = a.links[:0]
	clear(a.reached)
	x := &p.beacons[id]
	for u := range x.uses {
		if x.uses[u].opens(t) {
			p.reach(link{id: id, use: u, before: -1})
		}
	}
	for i := 0; i < len(a.links); i++ {
		band := p.beacons[a.links[i].id].uses[a.links[i].use].band
		if !p.full[band] {
			if p.shift(i, t) {
				p.bent = true
				return true
			}
			continue
		}
		for _, g := range *p.cell(t, band) {
			if g.kind != planned {
				continue
			}
			y := &p.beacons[g.beacon]
			for v := range y.uses {
				if v != int(g.use) && y.uses[v].opens(t) {
					p.reach(link{id: int(g.beacon), use: v, before: i})
				}
			}
		}
	}
	return false
}

// link says that a beacon is to use a band, which makes room on the one that it
// leaves for the link before.
type link struct{ id, use, before int }

type path struct {
	links   []link
	reached []bool // by band
}

func (p *pass) reach(l link) {
	if band := p.beacons[l.id].uses[l.use].band; !p.path.reached[band] {
		p.path.reached[band] = true
		p.path.links = append(p.path.links, l)
	}
}

// shift carries a path out from its end, if the rules allow every move.
func (p *pass) shift(i, t int) bool {
	var log []move
	for ; i >= 0; i = p.path.links[i].before {
		l := p.path.links[i]
		if l.before >= 0 {
			log = append(log, move{id: l.id, was: p.take(l.id, t), taken: true})
		}
		if p.limits(l.id, l.use, t, true) != 0 {
			p.undo(log)
			p.recount(t)
			return false
		}
		if l.before < 0 {
			p.send(l.id, t, l.use)
			return true
		}
		p.place(l.id, t, l.use)
		log = append(log, move{id: l.id, was: sending{slot: int32(t)}})
	}
	return false
}

// recount finds again which bands are full.
func (p *pass) recount(t int) {
	p.rooms = 0
	for k := range p.bands {
		p.full[k] = len(*p.cell(t, int32(k))) >= p.bands[k].fits
		if !p.full[k] {
			p.rooms++
		}
	}
}
