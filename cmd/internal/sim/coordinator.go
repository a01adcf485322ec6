package sim

import (
	"errors"
	"maps"
	"slices"
	"time"

	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

const (
	extendEvery   = time.Hour
	retryAfter    = time.Minute
	settles       = 30 * time.Second
	gathers       = 200 * time.Millisecond // what is released by requests that come together is written once
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
	due      bool   // another plan is wanted after the one under way
	anew     bool   // that one is of an older fleet
	settling bool   // the next plan is made when the orders of the latest have settled
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
