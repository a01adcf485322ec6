package app

import (
	"time"

	"lamplighter/agent/core"
	"lamplighter/agent/machine"
)

// Earliest is a date at which this program did not exist yet: no clock that
// says less is believed.
var Earliest = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

// clocks reads the machine's two clocks as nearly at once as can be: a pause
// between the two would look like a step of the wall clock.
func clocks() core.Instant {
	const atOnce = time.Millisecond
	before := machine.BootTime()
	for range 10 {
		wall := time.Now().Round(0)
		after := machine.BootTime()
		if after-before <= atOnce {
			return core.Instant{Wall: wall, Boot: after}
		}
		before = after
	}
	return core.Instant{Wall: time.Now().Round(0), Boot: machine.BootTime()}
}
