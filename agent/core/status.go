package core

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Health says how the beacon is, as it tells the coordinator.
func (c *Core) Health() *wirev1.Health { return proto.CloneOf(c.sample()) }

// Status says in a line how the beacon is.
func (c *Core) Status() string {
	for _, open := range c.slots.inOrder() {
		if open.keyed {
			return fmt.Sprintf("on the air on %s", open.outcome.GetTransmission().GetBand())
		}
	}
	reason := c.muteReason()
	if reason == "" {
		return "ready"
	}
	line := "mute: " + reason
	if sentence := Reasons()[Reason(reason)]; sentence != "" {
		line += ": " + sentence
	}
	if reason == string(ClockUnsure) && c.clock.reading.Reason != "" {
		line += " (" + c.clock.reading.Reason + ")"
	}
	return line
}
