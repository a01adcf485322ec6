package sim

import (
	"errors"
	"fmt"
	"time"

	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// replan has a plan made, now or after the one under way.
func (c *coordinator) replan(t *term) {
	if t.planning {
		t.due = true
		return
	}
	t.due, t.anew, t.settling, t.planning = false, false, false, true
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

// replanSettled has a plan made when the orders of the latest have settled.
func (c *coordinator) replanSettled(t *term) {
	if !t.settling {
		t.settling = true
		c.planAfter(t, settles)
	}
}

// planned puts a plan in force.
func (c *coordinator) planned(t *term, made *plan.Plan, around map[string]bool) {
	t.planning = false
	if t.anew {
		c.replan(t)
		return
	}
	if t.due {
		c.replanSettled(t)
	}
	if made == nil {
		c.planAfter(t, retryAfter)
		return
	}
	err := c.asLeader(t.epoch, func(time.Time) (func(), error) {
		return func() { c.world.database.plan = made }, nil
	})
	if err == nil {
		c.world.oracle.replanned(c)
		t.writer.Plan, t.around = made, around
		err = c.write(t)
	}
	if err != nil {
		c.failed(t, err)
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

// fleetChanged is SetFleet.
func (c *coordinator) fleetChanged() {
	if c.term == nil {
		return
	}
	c.term.writer.SetFleet(c.world.fleet)
	c.term.anew = c.term.planning
	c.replan(c.term)
}
