package core

import "fmt"

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
