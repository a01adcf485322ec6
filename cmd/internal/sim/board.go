package sim

import (
	"maps"
	"slices"
	"time"

	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

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

func (all coordinators) republish() {
	for _, c := range all {
		c.during(0, c.republish)
	}
}
