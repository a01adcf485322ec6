package planner

import "slices"

// pass walks over the slots and lets the beacon whose deadline is earliest
// transmit first.
type pass struct {
	*board
	target []int   // transmissions that each beacon is to have
	slack  []int64 // how much of its window a beacon may wait, fixed point
	tight  []bool  // a slot that its site does not use is lost
	full   []bool  // by band, in this slot
	rooms  int     // bands that are not full
	count  []int
	sum    []int // transmissions on the board
	ledger []ledger
	tail   []tail
	queue  queue
	last   []lastMessage
	visits []visits
	views  []view
	viewed []int     // transmissions that each view has seen
	due    [][]int32 // beacons released at a slot
	now    []int32   // beacons that have sent in this slot

	waiting, loose []request // of this slot
	path           path
	balancer       *balancer
	bent           bool // somebody got a band that the weights do not ask for
}

// restless tells that a beacon must send nearly as often as its rest allows, so
// that any wait is lost.
func (x *beacon) restless() bool {
	return x.rest > 0 && int64(x.rest+1)*int64(x.demand)*10 > int64(x.any.count)*8
}

func newPass(b *board, target []int) *pass {
	p := &pass{
		board: b, target: target,
		slack:  make([]int64, b.count),
		tight:  make([]bool, b.count),
		full:   make([]bool, len(b.bands)),
		path:   path{reached: make([]bool, len(b.bands))},
		count:  make([]int, b.count),
		sum:    make([]int, b.count),
		ledger: make([]ledger, b.count),
		tail:   make([]tail, b.count),
		last:   make([]lastMessage, b.count),
		visits: make([]visits, b.count),
		views:  make([]view, b.count),
		viewed: make([]int, b.count),
		due:    make([][]int32, b.slots),
	}
	p.balancer = newBalancer(b, p.ledger)
	pressures := b.pressures(target)
	for i := range p.ledger {
		x := &b.beacons[i]
		p.tight[i] = pressures[i].site > one*95/100 || pressures[i].band > one || target[i] < x.demand
		if len(b.sent[i]) < target[i] {
			p.visits[i] = b.newVisits(x)
		}
		if room := one*97/100 - max(pressures[i].site, pressures[i].band); room > 0 && !x.restless() && target[i] == x.demand {
			p.slack[i] = room
		}
		p.ledger[i], p.last[i] = newLedger(len(x.uses)), x.lastFull
		p.sum[i] = len(b.sent[i])
		p.tail[i] = x.tail()
	}
	return p
}

// run fills the slots from the first that is not frozen.
func (p *pass) run(progress Progress) error {
	keptAt := p.keptBySlot()
	for t := range p.slots {
		if t%16 == 0 && progress(t, p.slots) {
			return ErrStopped
		}
		p.now = p.now[:0]
		for _, id := range keptAt[t] {
			p.record(int(id), t)
		}
		if t == p.frozen {
			for id := range p.beacons[:len(p.count)] {
				p.schedule(id, t)
			}
		}
		if t >= p.frozen {
			p.bent = false
			p.serve(t)
			if p.bent {
				p.balancer.slot(t)
			}
		}
		for _, id := range p.now {
			p.settle(int(id), t)
		}
	}
	return nil
}

// keptBySlot lists what is on the board of those who are to have more.
func (p *pass) keptBySlot() [][]int32 {
	at := make([][]int32, p.slots)
	for id, list := range p.sent[:len(p.count)] {
		if len(list) >= p.target[id] {
			continue
		}
		for _, s := range list {
			at[s.slot] = append(at[s.slot], int32(id))
		}
	}
	return at
}

// serve gives slot t to those whose window is open.
func (p *pass) serve(t int) {
	for _, id := range p.due[t] {
		p.queue.push(p.request(int(id), t))
	}
	p.due[t] = nil
	p.waiting, p.loose = p.waiting[:0], p.loose[:0]
	clear(p.full)
	p.rooms = len(p.bands)
	for len(p.queue) > 0 {
		r := p.queue.pop()
		id := int(r.id)
		if r.job != p.count[id] || p.sum[id] >= p.target[id] {
			continue // it has been served by the plan in force
		}
		if p.hopeless(id, t) {
			p.waiting = append(p.waiting, r)
			continue
		}
		if p.try(id, t, r.deadline <= t) {
			continue
		}
		p.waiting = append(p.waiting, r)
		if r.deadline > t && p.tight[id] {
			p.loose = append(p.loose, r)
		}
	}
	for _, r := range p.loose {
		if !p.hopeless(int(r.id), t) {
			p.try(int(r.id), t, true)
		}
	}
	for _, r := range p.waiting {
		if r.job == p.count[r.id] {
			p.queue.push(r)
		}
	}
}

// hopeless tells quickly that a beacon finds no place in slot t.
func (p *pass) hopeless(id, t int) bool {
	x := &p.beacons[id]
	loads := p.loads(t)
	for _, r := range x.resources {
		if loads[r] >= p.room[r] && len(p.lease[id]) == 0 {
			return true
		}
	}
	return p.rooms == 0 && len(p.lease[id]) == 0
}

// pairSlots is how long before the end of its window the first of a pair is due.
const pairSlots = 3

// schedule finds when the window of a beacon's next transmission opens, from
// slot t on.
func (p *pass) schedule(id, t int) {
	x := &p.beacons[id]
	if p.sum[id] >= p.target[id] || t >= p.slots {
		return
	}
	open, target, job := int64(x.any.count), int64(p.target[id]), int64(p.count[id])
	release := int(job * open / target)
	window := one * open / target
	switch {
	case p.slack[id] == 0:
	case x.pairs:
		// The first of a pair comes late in its window, the second early in the
		// next, so that they are near enough to each other.
		if !p.last[id].full || p.last[id].slot < t-1 {
			release += max(0, int(window>>32)-pairSlots)
		}
	default:
		wait := int(scale(window, p.slack[id], one, 1<<60) >> 32)
		start := max(t, x.any.at(release), int(p.tail[id].last)+x.rest+1)
		wait -= max(0, start-x.any.at(release))
		if wait > 0 {
			t = start + p.fresh(id, start, wait+1)
		}
	}
	at := max(t, x.any.at(release), int(p.tail[id].last)+x.rest+1)
	if at < p.slots {
		p.due[at] = append(p.due[at], int32(id))
	}
}

func (p *pass) request(id, t int) request {
	x := &p.beacons[id]
	open, target, job := int64(x.any.count), int64(p.target[id]), int64(p.count[id])
	deadline := int(((job+1)*open+target-1)/target) - 1
	tie := mix(x.hash, uint64(p.first)+uint64(t))
	if x.rest > 0 {
		tie = uint64(int64(p.tail[id].last) + 1<<40) // who has rested longest
	}
	return request{id: int32(id), job: p.count[id], deadline: x.any.at(deadline), tie: tie}
}

// try puts a beacon into slot t, on a band that its weights ask for, and when
// it is the last chance on any.
func (p *pass) try(id, t int, last bool) bool {
	x := &p.beacons[id]
	if !x.any.set.has(t) || !p.free(id, t) {
		return false
	}
	choices, must := p.ledger[id].choices(x, t)
	if !must && len(choices) > 1 {
		p.prefer(id, t, choices)
	}
	if u := p.pairing(id, t); u >= 0 && !must {
		if i := slices.Index(choices, u); i > 0 {
			choices[0], choices[i] = choices[i], choices[0]
		}
	}
	for _, u := range choices {
		if p.offered(id, u, t) || last && !p.tight[id] && p.clear(id, u, t) {
			p.send(id, t, u)
			return true
		}
		if must && !last {
			return false
		}
	}
	if !last {
		return false
	}
	for _, u := range p.ledger[id].others(x, t, choices) {
		if p.offered(id, u, t) {
			p.bent = true
			p.send(id, t, u)
			return true
		}
	}
	return p.tight[id] && p.augment(id, t)
}

// offered tells whether a band is free, and its use does not run ahead of what a
// site's quiet and listen shares leave it for the day.
func (p *pass) offered(id, u, t int) bool {
	return p.limits(id, u, t, true) == 0 && p.inPace(&p.beacons[id], p.beacons[id].uses[u].band, t)
}

func (p *pass) inPace(x *beacon, band int32, t int) bool {
	if p.eager {
		return true
	}
	s := &p.sites[x.site]
	if s.quiet >= 0 && p.loads(t)[s.resource] == 0 && p.ahead(s.quiet, t) {
		return false
	}
	for _, l := range s.listen {
		if l.band == band && p.ahead(l.row, t) {
			return false
		}
	}
	return true
}

// ahead tells whether so many slots of a day are used already that with another
// one those left would not last evenly for the rest of the day.
func (p *pass) ahead(row int32, t int) bool {
	d := p.dayOf[t]
	end := t + 1
	for step := p.slots; step > 0; step /= 2 { // the end of the day, by halving
		for end+step <= p.slots && p.dayOf[end+step-1] == d {
			end += step
		}
	}
	slots, most := p.days[d].slots, int(p.most[row][d])
	soFar := slots - (end - t) + 1
	return int(p.rows[row][d]) >= (most*soFar+slots-1)/slots
}

// pairing returns the band on which a transmission in slot t would complete a
// pair, or -1.
func (p *pass) pairing(id, t int) int {
	if last := p.last[id]; last.full && p.within(last.slot, t) {
		return p.beacons[id].useOf(last.band)
	}
	return -1
}

func (p *pass) send(id, t, u int) {
	p.place(id, t, u)
	p.sum[id]++
	p.record(id, t)
}

func (p *pass) place(id, t, u int) {
	p.put(id, t, u, planned, 0)
	if band := p.beacons[id].uses[u].band; !p.full[band] && len(*p.cell(t, band)) >= p.bands[band].fits {
		p.full[band] = true
		p.rooms--
	}
}

// free asks the beacon's own rules.
func (p *pass) free(id, t int) bool {
	x, tail := &p.beacons[id], &p.tail[id]
	if p.sum[id] == p.count[id] && len(p.lease[id]) == 0 && x.amplifier == 0 {
		return tail.allows(x, t)
	}
	if p.ownLimitsNow(id, t) != 0 {
		return false
	}
	return p.sum[id] == p.count[id] || p.inTurn(id, t)
}

// ownLimitsNow is ownLimits with a memory: in a pass a beacon's transmissions
// only ever become more.
func (p *pass) ownLimitsNow(id, t int) Limit {
	if _, held := p.held(id, t); held {
		return p.ownLimits(id, t)
	}
	known := &p.views[id]
	if known.x == nil || p.viewed[id] != len(p.sent[id]) {
		p.look(known, id, -1)
		p.viewed[id] = len(p.sent[id])
	}
	return known.limits(t)
}

// inTurn tells whether one more transmission in slot t still leaves the next
// one of the plan in force within its own window.
func (p *pass) inTurn(id, t int) bool {
	at, _ := p.find(id, t)
	if at >= len(p.sent[id]) {
		return true
	}
	x := &p.beacons[id]
	release := int64(p.count[id]+1) * int64(x.any.count) / int64(p.target[id])
	return int64(x.any.rank(int(p.sent[id][at].slot))) >= release
}

func (p *pass) record(id, t int) {
	x, tail := &p.beacons[id], &p.tail[id]
	tail.add(x, t)
	p.count[id]++
	p.now = append(p.now, int32(id))
}

// settle books what a beacon has sent in slot t and opens its next window.
func (p *pass) settle(id, t int) {
	at, _ := p.find(id, t)
	x, u := &p.beacons[id], int(p.sent[id][at].use)
	if x.pairs {
		complete := p.pairing(id, t) == u
		p.last[id] = lastMessage{full: !complete, band: x.uses[u].band, slot: t}
	}
	p.ledger[id].book(x, t, u)
	p.visits[id].add(p.model, u, t, 1)
	if t >= p.frozen {
		p.schedule(id, t+1)
	}
}

// clear makes room for a beacon on a band by letting one that has been placed
// in this very slot use another band that its weights allow too.
func (p *pass) clear(id, u, t int) bool {
	const elsewhere = LimitNear | LimitSignals | LimitWindow | LimitTogether
	band := p.beacons[id].uses[u].band
	if p.limits(id, u, t, false)&^elsewhere != 0 {
		return false
	}
	for _, g := range slices.Clone(*p.cell(t, band)) {
		if g.kind != planned {
			continue
		}
		other := int(g.beacon)
		x := &p.beacons[other]
		choices, _ := p.ledger[other].choices(x, t)
		for _, v := range choices {
			if v == int(g.use) {
				continue
			}
			was := p.take(other, t)
			p.put(other, t, v, planned, 0) // asked below, after it has left the band
			if p.allowed(other, v, t) && p.limits(id, u, t, true) == 0 {
				return true
			}
			p.take(other, t)
			p.put(other, t, int(was.use), was.kind, was.hz)
		}
	}
	return false
}

// allowed tells whether a signal on the board could be put there if it were not.
func (b *board) allowed(id, u, t int) bool {
	was := b.take(id, t)
	ok := b.limits(id, u, t, true) == 0
	b.put(id, t, int(was.use), was.kind, was.hz)
	return ok
}
