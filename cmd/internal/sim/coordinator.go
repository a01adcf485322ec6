package sim

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

const (
	extendEvery   = time.Hour
	retryAfter    = time.Minute
	loopTick      = 5 * time.Second
	electionEvery = time.Second
	sessionLasts  = 30 * time.Second // of a holder that says nothing
)

var (
	errDeposed = errors.New("another coordinator has taken the lead")
	errAway    = errors.New("the database is away")
)

// coordinators are the replicas of one network.
type coordinators []*coordinator

// coordinator is the shell around orders.Writer, as package dispatch is: it
// stores before it publishes. It may be killed or stopped between any two
// messages, and just before or after a commit.
type coordinator struct {
	world  *world
	name   string
	alive  bool
	run    uint64
	paused time.Duration // until then it stands still
	fails  bool          // the next commit kills it
	term   *term         // nil: it does not lead
}

type term struct {
	epoch    uint64
	writer   *orders.Writer
	around   map[string]bool
	withheld []lease.Withheld
	shown    map[string]lease.Number // hush states
	board    map[string]map[topic.Kind][]byte
	unsent   bool // the broker did not take something
	released bool // something that was withheld may be free
	planning bool
	due      bool
	alarm    uint64 // of the next planning
	free     uint64 // of the next look at what is withheld
}

// soon has something done when the coordinator gets to it, if it is still the
// same run.
func (c *coordinator) soon(wait time.Duration, do func()) {
	run := c.run
	c.world.after(wait, func() {
		switch {
		case !c.alive || c.run != run:
		case c.world.now < c.paused:
			c.world.reach("a coordinator that stands still")
			c.soon(c.paused-c.world.now, do)
		default:
			do()
		}
	})
}

// during is the same, and only in this term.
func (c *coordinator) during(wait time.Duration, do func(t *term)) {
	t := c.term
	c.soon(wait, func() {
		if c.term == t && t != nil {
			do(t)
		}
	})
}

func (c *coordinator) start() {
	if c.alive {
		return
	}
	c.alive, c.paused, c.fails = true, 0, false
	c.run++
	c.world.happened("coordinator starts", c.name, c.run)
	c.soon(time.Second, c.campaign)
}

func (c *coordinator) kill() {
	if !c.alive {
		return
	}
	c.world.happened("coordinator killed", c.name, c.run)
	c.alive, c.term = false, nil
	c.run++
	if db := &c.world.database; db.holder == c {
		db.holder = nil
	}
}

// stop is SIGSTOP: its session ends when the database hears nothing for long.
func (c *coordinator) stop(long time.Duration) {
	if !c.alive {
		return
	}
	c.world.happened("coordinator stands still", c.name, c.run)
	c.paused = max(c.paused, c.world.now+long)
	run := c.run
	c.world.after(sessionLasts, func() {
		if db := &c.world.database; db.holder == c && db.holding == run && c.world.now < c.paused {
			db.holder = nil
		}
	})
}

// campaign is package lead: it takes the lock if it is free, and looks each
// second whether it still has it.
func (c *coordinator) campaign() {
	db := &c.world.database
	switch {
	case db.away:
		if c.term != nil && db.holder != c {
			c.term = nil
		}
	case c.term != nil && (db.holder != c || db.holding != c.run):
		c.world.reach("a leader that finds itself deposed")
		c.term = nil
	case c.term == nil && db.holder == nil && c.world.fleet != nil:
		c.lead()
	}
	c.soon(electionEvery, c.campaign)
}

func (c *coordinator) lead() {
	w := c.world
	db := &w.database
	for _, other := range w.coordinators {
		if other != c && other.term != nil {
			w.reach("two leaders")
		}
	}
	db.holder, db.holding = c, c.run
	db.epoch = max(db.epoch+1, uint64(c.databaseTime().Unix()))
	t := &term{
		epoch: db.epoch, writer: orders.NewWriter(db.epoch, w.fleet), around: map[string]bool{},
		shown: map[string]lease.Number{}, board: map[string]map[topic.Kind][]byte{},
	}
	c.term = t
	w.happened("leads", c.name, t.epoch)
	db.load(t.writer, c.databaseTime())
	for _, beacon := range slices.Sorted(maps.Keys(db.orders)) {
		list := db.orders[beacon]
		c.show(topic.Orders, seal.Orders, beacon, list[len(list)-1].Payload)
	}
	c.showHushes(c.world.database.states)
	c.tick(t)
	c.replan(t)
}

func (c *coordinator) databaseTime() time.Time { return c.world.time().Add(c.world.database.wrong) }

// asLeader is store.AsLeader: decide reads and gives what is written, which counts
// as a whole.
func (c *coordinator) asLeader(epoch uint64, decide func(now time.Time) (write func(), err error)) error {
	db := &c.world.database
	switch {
	case db.away:
		return errAway
	case db.epoch != epoch:
		c.world.reach("a deposed leader's write")
		return errDeposed
	}
	write, err := decide(c.databaseTime())
	if err != nil {
		return err
	}
	if c.fails {
		c.fails = false
		if c.world.chance.IntN(2) == 0 {
			write()
			c.world.reach("a coordinator killed just after a commit")
		} else {
			c.world.reach("a coordinator killed just before a commit")
		}
		c.kill()
		c.world.after(time.Duration(1+c.world.chance.IntN(60))*time.Second, c.start)
		return errAway
	}
	write()
	return nil
}

// tick is what the loop of dispatch does each 5 s.
func (c *coordinator) tick(t *term) {
	if t.unsent {
		c.republish(t)
	}
	if !c.world.database.away {
		c.showHushes(c.world.database.states)
	}
	c.during(loopTick, c.tick)
}

// replan has a plan made, now or after the one under way.
func (c *coordinator) replan(t *term) {
	if t.planning {
		t.due = true
		return
	}
	t.due, t.planning = false, true
	c.planAfter(t, extendEvery)
	if c.world.database.away {
		c.during(time.Second, func(t *term) { c.planned(t, nil, nil) })
		return
	}
	in, around := t.writer.PlanInput(c.databaseTime(), c.world.options.Ahead)
	in.History = orders.History(in.Fleet, c.world.database.history(in.From), in.From)
	made, err := planner.Make(in, func(int, int) bool { return false })
	if err != nil {
		panic(fmt.Sprintf("planning failed: %v", err)) // a fleet that was read can be planned
	}
	c.world.spoil(made)
	took := time.Duration(500+c.world.chance.IntN(5000)) * time.Millisecond
	c.during(took, func(t *term) { c.planned(t, made, around) })
}

// planAfter sets the time at which a plan is made at the latest.
func (c *coordinator) planAfter(t *term, wait time.Duration) {
	t.alarm++
	alarm := t.alarm
	c.during(wait, func(t *term) {
		if t.alarm == alarm {
			c.replan(t)
		}
	})
}

// planned puts a plan in force.
func (c *coordinator) planned(t *term, made *plan.Plan, around map[string]bool) {
	t.planning = false
	if made == nil {
		c.planAfter(t, retryAfter)
		return
	}
	err := c.asLeader(t.epoch, func(time.Time) (func(), error) {
		return func() { c.world.database.plan = made }, nil
	})
	if err == nil {
		t.writer.Plan, t.around = made, around
		err = c.write(t)
	}
	if err != nil {
		c.failed(t, err)
		return
	}
	if t.due {
		c.replan(t)
	}
}

// failed gives the lead up, or tries again.
func (c *coordinator) failed(t *term, err error) {
	if c.term != t {
		return
	}
	if errors.Is(err, errDeposed) {
		c.term = nil
		return
	}
	c.planAfter(t, retryAfter)
}

// write writes the orders that plan and book allow now.
func (c *coordinator) write(t *term) error {
	if t.writer.Plan == nil {
		return nil
	}
	var round []orders.Orders
	var withheld []lease.Withheld
	var at time.Time
	err := c.asLeader(t.epoch, func(now time.Time) (_ func(), err error) {
		at = now
		round, withheld, err = t.writer.Decide(now)
		return func() {
			for _, o := range round {
				c.world.database.saveOrders(o)
			}
		}, err
	})
	if err != nil {
		return err
	}
	t.writer.Stored(round, at)
	for _, o := range round {
		c.show(topic.Orders, seal.Orders, o.Beacon, o.Payload)
	}
	t.withheld = withheld
	if len(withheld) > 0 {
		c.world.reach("a slot is withheld")
	}
	t.free++
	if wait := t.writer.UntilFree(withheld, at); wait > 0 {
		free := t.free
		c.during(wait, func(t *term) {
			if t.free == free {
				c.world.reach("a withheld slot waits for the end of a lease")
				c.tryWrite(t)
			}
		})
	}
	return nil
}

func (c *coordinator) tryWrite(t *term) {
	if err := c.write(t); err != nil {
		c.failed(t, err)
	}
}

// show puts up what a beacon is to do, and publishes it.
func (c *coordinator) show(kind topic.Kind, purpose seal.Purpose, beacon string, payload []byte) {
	sealed := c.world.seal(purpose, beacon, payload)
	if c.term != nil {
		if c.term.board[beacon] == nil {
			c.term.board[beacon] = map[topic.Kind][]byte{}
		}
		c.term.board[beacon][kind] = sealed
	}
	c.send(beacon, kind, sealed)
}

// send publishes when the coordinator gets to it.
func (c *coordinator) send(beacon string, kind topic.Kind, sealed []byte) {
	t := c.term
	c.soon(time.Duration(1+c.world.chance.IntN(10))*time.Millisecond, func() {
		if t != nil && c.term != t && kind.Retained() {
			return // its board is closed
		}
		if t != nil && kind.Retained() {
			sealed = t.board[beacon][kind] // of one topic the latest is the last
		}
		if t != nil && c.world.database.epoch != t.epoch {
			c.world.reach("a deposed leader's message")
		}
		if !c.world.broker.publish(beacon, kind, sealed) && t != nil {
			t.unsent = true
		}
	})
}

func (c *coordinator) republish(t *term) {
	t.unsent = false
	for _, beacon := range slices.Sorted(maps.Keys(t.board)) {
		for _, kind := range []topic.Kind{topic.Hush, topic.Orders} {
			if sealed := t.board[beacon][kind]; sealed != nil {
				c.send(beacon, kind, sealed)
			}
		}
	}
}

// fleetChanged is SetFleet.
func (c *coordinator) fleetChanged() {
	if c.term == nil {
		return
	}
	c.term.writer.SetFleet(c.world.fleet)
	c.replan(c.term)
}

func (all coordinators) republish() {
	for _, c := range all {
		c.during(0, c.republish)
	}
}

// take brings a message to all that listen.
func (all coordinators) take(d *device, p core.Publish) {
	stored := false
	for _, c := range all {
		if !c.alive {
			continue
		}
		switch p.Kind {
		case topic.LeaseRequest:
			c.soon(0, func() { c.answer(p.Payload, d) })
		case topic.Records: // by a shared subscription
			if !stored && c.world.now >= c.paused {
				stored = true
				c.soon(0, func() { c.intake(p.Payload) })
			}
		case topic.Health:
			if !stored && c.world.now >= c.paused {
				stored = true
				c.soon(0, func() { c.listen(p.Payload, d.name) })
			}
		}
	}
}

// answer is dispatch.HandleLeaseRequest.
func (c *coordinator) answer(payload []byte, d *device) {
	t := c.term
	if t == nil {
		return
	}
	asked, _, err := orders.ReadRequest(d.address().Topic(topic.LeaseRequest), payload)
	if err != nil {
		panic(err) // an agent wrote it
	}
	request := orders.Asked(asked)
	db := &c.world.database
	var known lease.Known
	var decision lease.Decision
	err = c.asLeader(t.epoch, func(now time.Time) (func(), error) {
		known = lease.Known{Now: now, HeldKnown: request.Held.IsZero() || db.knows(request.Beacon, request.Held)}
		if row := db.leases[request.Beacon]; row != nil {
			known.Holder = row.holder
		}
		decision = t.writer.Book.Decide(request, known)
		if !t.writer.Counts(request, decision) {
			return func() { db.noteRival(request.Beacon, decision.Holder) }, nil
		}
		return func() { db.saveLease(request, known, decision) }, nil
	})
	if err != nil {
		if errors.Is(err, errDeposed) {
			c.term = nil
		}
		return
	}
	if t.writer.Granted(request, known, decision) {
		c.confirmed(t, request.Beacon)
	}
	c.world.oracle.decided(d, request, decision)
	message, err := orders.Answer(t.epoch, asked, decision)
	if err != nil {
		panic(err) // text that is not UTF-8
	}
	c.send(request.Beacon, topic.Lease, c.world.seal(seal.Lease, request.Beacon, message))
	if decision.Refusal == "" && asked.GetHush().GetEpoch() == 0 {
		c.tellUnhushed(t, request.Beacon)
	}
}

func (db *database) noteRival(beacon string, h lease.Holder) {
	if row := db.leases[beacon]; row != nil {
		row.holder.Rival, row.holder.RivalAt = h.Rival, h.RivalAt
	}
}

func (db *database) saveLease(r lease.Request, known lease.Known, d lease.Decision) {
	row := db.leases[r.Beacon]
	if row == nil {
		row = &leaseRow{}
		db.leases[r.Beacon] = row
	}
	row.holder, row.former = d.Holder, d.Former
	if known.HeldKnown {
		row.held = r.Held
	}
	if d.Refusal == "" && d.Until.After(row.end) {
		row.end = d.Until
	}
}

// confirmed follows from a beacon holding other orders than before.
func (c *coordinator) confirmed(t *term, beacon string) {
	if len(t.withheld) > 0 && !t.released {
		t.released = true
		c.during(0, func(t *term) {
			t.released = false
			c.tryWrite(t)
		})
	}
	if t.around[beacon] && t.writer.Book.Held(beacon) == t.writer.Book.Latest(beacon) {
		delete(t.around, beacon)
		c.during(0, c.replan)
	}
}

// listen is what the intake does with health: who was heard, and when.
func (c *coordinator) listen(payload []byte, beacon string) {
	var h wirev1.Health
	if proto.Unmarshal(payload, &h) != nil || c.world.database.away {
		return
	}
	if row := c.world.database.leases[beacon]; row != nil && row.holder.Run == h.GetRun() {
		row.holder.Heard = c.databaseTime()
	}
	c.world.oracle.health(beacon, &h)
}

// intake stores records, each once, and says which it has.
func (c *coordinator) intake(payload []byte) {
	db := &c.world.database
	var batch wirev1.RecordBatch
	if err := proto.Unmarshal(payload, &batch); err != nil {
		panic(err) // an agent wrote it
	}
	if db.away {
		return
	}
	receipt := &wirev1.Receipt{Network: batch.GetNetwork(), Beacon: batch.GetBeacon()}
	for _, bytes := range batch.GetRecords() {
		var r wirev1.Record
		if err := proto.Unmarshal(bytes, &r); err != nil {
			panic(err) // as above
		}
		db.store(batch.GetBeacon(), &r, bytes, c.world)
		if n := len(receipt.Ranges); n > 0 && receipt.Ranges[n-1].GetBoot() == r.GetBoot() && receipt.Ranges[n-1].GetLastSeq()+1 == r.GetSeq() {
			receipt.Ranges[n-1].LastSeq++
			continue
		}
		receipt.Ranges = append(receipt.Ranges, &wirev1.ReceiptRange{Boot: r.GetBoot(), FirstSeq: r.GetSeq(), LastSeq: r.GetSeq()})
	}
	message, err := proto.Marshal(receipt)
	if err != nil {
		panic(err)
	}
	c.send(batch.GetBeacon(), topic.Receipts, c.world.seal(seal.Receipt, batch.GetBeacon(), message))
}

// giveHush and releaseHush are what people ask of any coordinator.
func (c *coordinator) giveHush(scope fleet.Scope) (beacons []string, ok bool) {
	db := &c.world.database
	beacons = orders.InScope(c.world.fleet, scope)
	var states map[string]hushState
	err := c.asLeader(db.epoch, func(now time.Time) (func(), error) {
		h := &hushRow{given: c.world.now, Hush: orders.Hush{Scope: scope, Reason: "trial", GivenBy: "warden", GivenAt: now}}
		states = map[string]hushState{}
		for _, beacon := range beacons {
			states[beacon] = c.hushState(beacon, append(c.inForce(beacon), h.Hush))
		}
		return func() {
			db.hushes = append(db.hushes, h)
			for _, beacon := range beacons {
				db.bound[beacon] = append(db.bound[beacon], len(db.hushes)-1)
				db.states[beacon] = states[beacon]
			}
		}, nil
	})
	if err != nil {
		return nil, false
	}
	c.showHushes(states)
	return beacons, true
}

func (c *coordinator) releaseHush(index int) bool {
	db := &c.world.database
	h := db.hushes[index]
	states := map[string]hushState{}
	err := c.asLeader(db.epoch, func(time.Time) (func(), error) {
		h.released = true // for the states below; put back where it fails
		for _, beacon := range slices.Sorted(maps.Keys(db.bound)) {
			if slices.Contains(db.bound[beacon], index) {
				states[beacon] = c.hushState(beacon, c.inForce(beacon))
			}
		}
		h.released = false
		return func() {
			h.released = true
			maps.Copy(db.states, states)
		}, nil
	})
	if err != nil {
		return false
	}
	c.showHushes(states)
	return true
}

// tellUnhushed tells a beacon that was never hushed that nothing is.
func (c *coordinator) tellUnhushed(t *term, beacon string) {
	db := &c.world.database
	if _, told := db.states[beacon]; told {
		return
	}
	err := c.asLeader(t.epoch, func(time.Time) (func(), error) {
		state := c.hushState(beacon, nil)
		return func() { db.states[beacon] = state }, nil
	})
	if err == nil {
		c.showHushes(db.states)
	}
}

// inForce are the hushes that a beacon is under.
func (c *coordinator) inForce(beacon string) (list []orders.Hush) {
	for _, i := range c.world.database.bound[beacon] {
		if h := c.world.database.hushes[i]; !h.released {
			list = append(list, h.Hush)
		}
	}
	return list
}

func (c *coordinator) hushState(beacon string, under []orders.Hush) hushState {
	db := &c.world.database
	number := lease.Number{Epoch: db.epoch, Revision: 1}
	if before := db.states[beacon].number; before.Epoch == db.epoch {
		number.Revision = before.Revision + 1
	}
	payload, err := orders.HushState(c.world.network, beacon, number, under)
	if err != nil {
		panic(err) // text that is not UTF-8
	}
	return hushState{number, payload}
}

// showHushes puts states up that are newer than what is shown.
func (c *coordinator) showHushes(states map[string]hushState) {
	for _, beacon := range slices.Sorted(maps.Keys(states)) {
		s := states[beacon]
		if c.term != nil {
			if s.number.Compare(c.term.shown[beacon]) <= 0 {
				continue
			}
			c.term.shown[beacon] = s.number
		}
		c.show(topic.Hush, seal.Hush, beacon, s.payload)
	}
}
