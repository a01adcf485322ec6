package planner

import "math"

// balancer exchanges bands among the signals of one slot, so that each beacon's
// count on each band comes nearer to what its weights ask for. Who transmits in
// the slot stays as it is.
//
// It is a flow of least cost on a graph whose nodes are the bands: moving the
// best suited signal from one band to another is an edge, and as long as a cycle
// of edges (or a path to a band with room) lowers the cost, it is carried out.
type balancer struct {
	*board
	ledger []ledger
	trader *trader // if given, it says what a move is worth over the whole plan
	edges  []edge  // from band, to band; the last row and column stand for room
	dist   []int64
	next   []int16
}

// edge is the cheapest way to move one signal from one band to another.
type edge struct {
	cost    int64
	id, use int32
}

const never = math.MaxInt64 / 4

func newBalancer(b *board, ledgers []ledger) *balancer {
	n := len(b.bands) + 1
	return &balancer{board: b, ledger: ledgers, edges: make([]edge, n*n), dist: make([]int64, n*n), next: make([]int16, n*n)}
}

// slot balances one slot, and tells whether anything was moved.
func (b *balancer) slot(t int) (moved bool) {
	for range 4 * len(b.bands) {
		b.measure(t)
		from, ok := b.cycle()
		if !ok || !b.turn(from, t) {
			return moved
		}
		moved = true
	}
	return moved
}

// measure fills the edges.
func (b *balancer) measure(t int) {
	n := len(b.bands) + 1
	for i := range b.edges {
		b.edges[i] = edge{cost: never, id: -1}
	}
	for k := range b.bands {
		cell := *b.cell(t, int32(k))
		if len(cell) < b.bands[k].fits {
			b.edges[k*n+n-1] = edge{id: -1} // has room for one more
		}
		if len(cell) > 0 {
			b.edges[(n-1)*n+k] = edge{id: -1} // can give up one for nothing
		}
		for _, g := range cell {
			if g.kind == planned {
				b.ways(t, k, g)
			}
		}
	}
}

// ways enters the bands to which a signal could move.
func (b *balancer) ways(t, k int, g signal) {
	n := len(b.bands) + 1
	x := &b.beacons[g.beacon]
	if len(x.uses) < 2 || len(b.lease[g.beacon]) > 0 {
		return
	}
	if b.trader != nil {
		b.trader.ways(t, k, g, b.edges)
		return
	}
	l := &b.ledger[g.beacon]
	shares := l.shares(x, t)
	here := urge(l.asked[g.use] + shares[g.use] - l.had[g.use])
	for v := range x.uses {
		if v == int(g.use) || !x.uses[v].opens(t) {
			continue
		}
		cost := here - urge(l.asked[v]+shares[v]-l.had[v])
		if e := &b.edges[k*n+int(x.uses[v].band)]; cost < e.cost {
			*e = edge{cost: cost, id: g.beacon, use: int32(v)}
		}
	}
}

// urge is how much the fourth power of the deviation falls when a band that is
// owed so much gets one transmission, in small units.
func urge(owed int64) int64 {
	const fine = 22 // bits of the fixed point that are dropped
	x := (owed - one/2) >> fine
	x = min(max(x, -1<<20), 1<<20)
	return x * x * x >> 4
}

// cycle finds a cycle of negative cost by shortest paths between all bands.
func (b *balancer) cycle() (from int, ok bool) {
	n := len(b.bands) + 1
	for i := range n {
		for j := range n {
			b.dist[i*n+j], b.next[i*n+j] = b.edges[i*n+j].cost, int16(j)
		}
	}
	for k := range n {
		for i := range n {
			to := b.dist[i*n+k]
			if to >= never {
				continue
			}
			for j := range n {
				if d := to + b.dist[k*n+j]; b.dist[k*n+j] < never && d < b.dist[i*n+j] {
					b.dist[i*n+j], b.next[i*n+j] = d, b.next[i*n+k]
				}
			}
			if b.dist[i*n+i] < 0 {
				return i, true
			}
		}
	}
	return 0, false
}

// turn carries a cycle out. It returns false, with nothing changed, when a rule
// forbids one of its moves.
func (b *balancer) turn(from, t int) bool {
	n := len(b.bands) + 1
	var taken, put []move
	seen := 0
	for i := from; ; {
		j := int(b.next[i*n+from])
		if e := b.edges[i*n+j]; e.id >= 0 {
			put = append(put, move{id: int(e.id), was: sending{slot: int32(t), use: int8(e.use)}})
		}
		i = j
		if seen++; i == from || seen > n {
			break
		}
	}
	for _, m := range put {
		if _, on := b.find(m.id, t); !on {
			b.undo(taken)
			return false
		}
		taken = append(taken, move{id: m.id, was: b.take(m.id, t), taken: true})
	}
	log := taken
	for _, m := range put {
		if b.limits(m.id, int(m.was.use), t, true) != 0 {
			b.undo(log)
			return false
		}
		b.put(m.id, t, int(m.was.use), planned, 0)
		log = append(log, m)
	}
	if b.trader != nil {
		for _, m := range put {
			b.trader.measure(m.id)
		}
	}
	return true
}

// rebalance goes over all slots in order, with the beacons of each slot given.
func (b *board) rebalance() {
	ledgers := make([]ledger, b.count)
	for i := range ledgers {
		ledgers[i] = newLedger(len(b.beacons[i].uses))
	}
	balancer := newBalancer(b, ledgers)
	for t := range b.slots {
		if t >= b.frozen {
			balancer.slot(t)
		}
		for k := range b.bands {
			for _, g := range *b.cell(t, int32(k)) {
				if g.kind != leased {
					ledgers[g.beacon].book(&b.beacons[g.beacon], t, int(g.use))
				}
			}
		}
	}
}
