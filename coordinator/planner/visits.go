package planner

// mostPlaces bounds the places within the hour that are told apart.
const mostPlaces = 60

// visits counts, for one beacon, how often each band was met at each place
// within the hour (an even minute, with standard slots) and in each hour of the
// UTC day. The less often, the better a slot is.
type visits struct {
	places [][]uint16 // by band of the beacon
	hours  [][24]uint16
}

func (m *model) newVisits(x *beacon) visits {
	v := visits{places: make([][]uint16, len(x.uses)), hours: make([][24]uint16, len(x.uses))}
	all := make([]uint16, len(x.uses)*m.places)
	for u := range v.places {
		v.places[u] = all[u*m.places : (u+1)*m.places]
	}
	for _, was := range x.visited {
		v.add(m, int(was.use), int(was.slot), 1)
	}
	return v
}

// hour and place of slot t; t may lie before the plan.
func (m *model) hour(t int) int { return (t + m.hourPhase) / m.perHour % 24 }

func (m *model) place(t int) int {
	return (t + m.hourPhase) % m.perHour * m.places / m.perHour
}

func (v *visits) add(m *model, u, t, n int) {
	v.places[u][m.place(t)] += uint16(n)
	v.hours[u][m.hour(t)] += uint16(n)
}

// met returns how often a band was met at the place and hour of slot t.
func (v *visits) met(m *model, u, t int) int {
	return int(v.places[u][m.place(t)]) + int(v.hours[u][m.hour(t)])
}

// fresh returns, of so many slots from t on, the distance to the one whose place
// in the hour the beacon has met least on any band.
func (p *pass) fresh(id, t, slots int) int {
	x, v := &p.beacons[id], &p.visits[id]
	best, least := 0, 1<<30
	for d := 0; d < slots && t+d < p.slots; d++ {
		if !x.any.set.has(t + d) {
			continue
		}
		met := 1 << 20
		for u := range x.uses {
			if x.uses[u].opens(t + d) {
				met = min(met, v.met(p.model, u, t+d))
			}
		}
		met = met<<8 | int(mix(p.seed^x.hash, uint64(p.first)+uint64(t+d))&0xff)
		if met < least {
			best, least = d, met
		}
	}
	return best
}

// prefer puts the bands that were met least at the place and hour of slot t
// first, as far as the others can wait.
func (p *pass) prefer(id, t int, choices []int) {
	v, l := &p.visits[id], &p.ledger[id]
	best := 0
	for i := 1; i < len(choices); i++ {
		if v.met(p.model, choices[i], t) < v.met(p.model, choices[best], t) && l.canWait(choices, i) {
			best = i
		}
	}
	u := choices[best]
	copy(choices[1:best+1], choices[:best])
	choices[0] = u
}
