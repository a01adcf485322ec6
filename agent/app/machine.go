package app

import (
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/core"
)

// Earliest is a date at which this program did not exist yet: no clock that
// says less is believed.
var Earliest = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

// machine reads the machine's two clocks as nearly at once as can be: a pause
// between the two would look like a step of the wall clock.
func machine() core.Instant {
	const atOnce = time.Millisecond
	before := bootTime()
	for range 10 {
		wall := time.Now().Round(0)
		after := bootTime()
		if after-before <= atOnce {
			return core.Instant{Wall: wall, Boot: after}
		}
		before = after
	}
	return core.Instant{Wall: time.Now().Round(0), Boot: bootTime()}
}

func bootTime() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		panic("this kernel has no boot-time clock: " + err.Error()) // Linux has had it since 2.6.39
	}
	return time.Duration(t.Nano())
}
