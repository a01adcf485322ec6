package sim

import (
	"maps"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

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
