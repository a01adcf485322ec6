package planner

import "slices"

// kind says what may be done with a signal on the board.
type kind uint8

const (
	planned kind = iota // may be moved
	kept                // from the plan in force: moved only for a good reason
	fixed               // about to begin: never moved
	leased              // may still be sent under a lease; not granted
)

// signal is one transmission on the board, in the cell of its slot and band.
type signal struct {
	beacon int32
	site   int32
	use    int8
	kind   kind
}

// sending is the same from the beacon's side.
type sending struct {
	slot int32
	use  int8
	kind kind
	hz   int64 // micro-hertz; 0 until chosen
}

// board knows every rule of a plan that concerns more than one slot or beacon.
type board struct {
	*model
	cells [][]signal  // by slot, then band
	load  []uint8     // by slot, then resource
	rows  [][]int32   // quiet and listen shares: slots used, by row, then day
	most  [][]int32   // the same: slots that may be used
	busy  []int32     // signals by slot
	lease [][]sending // by beacon, rising: slots under a lease
	sent  [][]sending // by beacon, rising
	known view        // of whom ownLimits was asked last
	moves int         // of what is kept that may be made for fairness
	eager bool        // a pass does not save quiet and listen shares for later in the day
}

func newBoard(m *model) *board {
	b := &board{
		model: m,
		cells: make([][]signal, m.slots*len(m.bands)),
		busy:  make([]int32, m.slots),
		load:  make([]uint8, m.slots*len(m.room)),
		lease: make([][]sending, len(m.beacons)),
		sent:  make([][]sending, len(m.beacons)),
	}
	each := b.roomiest() // a cell that outgrows it moves elsewhere
	slab := make([]signal, len(b.cells)*each)
	for i := range b.cells {
		b.cells[i] = slab[i*each : i*each : (i+1)*each]
	}
	b.addRows()
	b.countToday()
	return b
}

// roomiest is how many signals a cell holds at most, in a usual network.
func (m *model) roomiest() (most int) {
	const usual = 16
	for k := range m.bands {
		most = max(most, min(m.bands[k].fits, usual))
	}
	return most
}

// countToday enters what the history says of the day on which the plan begins.
func (b *board) countToday() {
	seen := map[today]bool{}
	for _, was := range b.today {
		s := &b.sites[was.site]
		if any := (today{site: was.site, band: -1, slot: was.slot}); s.quiet >= 0 && !seen[any] {
			seen[any] = true
			b.rows[s.quiet][0]++
		}
		for _, l := range s.listen {
			if l.band == was.band && !seen[was] {
				b.rows[l.row][0]++
			}
		}
		seen[was] = true
	}
}

// addRows computes how many slots of each day a site may use, and those that
// its beacons used already.
func (b *board) addRows() {
	for i := range b.sites {
		s := &b.sites[i]
		if s.quiet >= 0 {
			b.addRow(func(day int64) int64 { return day - s.source.Quiet.MulFloor(day) })
		}
		for _, l := range s.source.Listen {
			if b.bandIndex(l.Band) >= 0 {
				b.addRow(func(day int64) int64 { return day - l.Share.MulFloor(day) })
			}
		}
	}
}

func (b *board) addRow(allowed func(day int64) int64) {
	most := make([]int32, len(b.days))
	for d := range most {
		most[d] = int32(allowed(int64(b.days[d].slots)))
	}
	b.most = append(b.most, most)
	b.rows = append(b.rows, make([]int32, len(b.days)))
}

func (b *board) cell(t int, band int32) *[]signal { return &b.cells[t*len(b.bands)+int(band)] }

func (b *board) loads(t int) []uint8 { return b.load[t*len(b.room) : (t+1)*len(b.room)] }

// put places a signal; the caller has asked whether it fits. In a slot for which
// the beacon holds a lease it is what the lease says, and stays.
func (b *board) put(id, t, u int, k kind, hz int64) {
	x := &b.beacons[id]
	if held, ok := b.held(id, t); ok && k != leased {
		b.lift(id, t, held)
		k, hz = fixed, held.hz
	}
	b.enter(x, id, t, u, k)
	if k == leased {
		return
	}
	sent := sending{slot: int32(t), use: int8(u), kind: k, hz: hz}
	at, _ := b.find(id, t)
	if at == len(b.sent[id]) {
		b.sent[id] = append(b.sent[id], sent)
		return
	}
	b.sent[id] = slices.Insert(b.sent[id], at, sent)
}

// enter writes a signal into its cell.
func (b *board) enter(x *beacon, id, t, u int, k kind) {
	band := x.uses[u].band
	cell := b.cell(t, band)
	*cell = append(*cell, signal{beacon: int32(id), site: x.site, use: int8(u), kind: k})
	b.occupy(x, t, band)
}

// occupy counts the resources and shares that a signal uses.
func (b *board) occupy(x *beacon, t int, band int32) {
	b.busy[t]++
	loads := b.loads(t)
	for _, r := range x.resources {
		loads[r]++
	}
	if x.site < 0 {
		return
	}
	s := &b.sites[x.site]
	if s.quiet >= 0 && loads[s.resource] == 1 {
		b.rows[s.quiet][b.dayOf[t]]++
	}
	for _, l := range s.listen {
		if l.band == band {
			b.rows[l.row][b.dayOf[t]]++
		}
	}
}

func (b *board) vacate(x *beacon, t int, band int32) {
	b.busy[t]--
	loads := b.loads(t)
	for _, r := range x.resources {
		loads[r]--
	}
	if x.site < 0 {
		return
	}
	s := &b.sites[x.site]
	if s.quiet >= 0 && loads[s.resource] == 0 {
		b.rows[s.quiet][b.dayOf[t]]--
	}
	for _, l := range s.listen {
		if l.band == band {
			b.rows[l.row][b.dayOf[t]]--
		}
	}
}

// take removes what a beacon sends in slot t and returns it.
func (b *board) take(id, t int) sending {
	at, ok := b.find(id, t)
	if !ok {
		panic("planner: nothing to take from the board")
	}
	was := b.sent[id][at]
	b.sent[id] = slices.Delete(b.sent[id], at, at+1)
	b.lift(id, t, was)
	if held, ok := b.held(id, t); ok {
		b.put(id, t, int(held.use), leased, held.hz)
	}
	return was
}

// lift takes a signal out of its cell.
func (b *board) lift(id, t int, s sending) {
	x := &b.beacons[id]
	band := x.uses[s.use].band
	cell := b.cell(t, band)
	at := slices.IndexFunc(*cell, func(g signal) bool { return g.beacon == int32(id) })
	*cell = slices.Delete(*cell, at, at+1)
	b.vacate(x, t, band)
}

// find returns where a beacon's transmission in slot t is, or would be. They
// stand about evenly, so it begins where an even spread would have it.
func (b *board) find(id, t int) (int, bool) {
	list := b.sent[id]
	n := len(list)
	if n == 0 || int(list[n-1].slot) < t {
		return n, false
	}
	const patience = 6
	i := t * n / b.slots
	for range patience {
		switch at := int(list[i].slot); {
		case at == t:
			return i, true
		case at < t:
			i++
		case i == 0 || int(list[i-1].slot) < t:
			return i, false
		default:
			i--
		}
	}
	return search(list, t)
}

// held returns what a lease may still make the beacon send in slot t.
func (b *board) held(id, t int) (sending, bool) {
	if len(b.lease[id]) == 0 {
		return sending{}, false
	}
	at, ok := search(b.lease[id], t)
	if !ok {
		return sending{}, false
	}
	return b.lease[id][at], true
}

func search(list []sending, t int) (int, bool) {
	return slices.BinarySearchFunc(list, int32(t), func(s sending, t int32) int { return int(s.slot - t) })
}
