package process

import (
	"fmt"
	"os"
	"strings"
	"time"

	"lamplighter/agent/keyer"
	"lamplighter/agent/machine"
)

// Clock gives the time. Tests and simulations bring their own.
type Clock interface {
	// Now reads both clocks at once.
	Now() keyer.Instant
	// Timer makes a timer that is not set.
	Timer() machine.Timer
}

// MachineClock reads the clocks of the machine.
type MachineClock struct{}

// Now reads the wall clock between two readings of the boot-time clock. When
// the machine was busy in between, it reads again: otherwise that would look
// like a wall clock that was set.
func (MachineClock) Now() keyer.Instant {
	const near = time.Millisecond
	var best keyer.Instant
	spread := time.Duration(1<<63 - 1)
	for range 5 {
		before, wall, after := machine.BootTime(), time.Now().Round(0), machine.BootTime()
		if after-before < spread {
			spread, best = after-before, keyer.Instant{Wall: wall, Boot: before + (after-before)/2}
		}
		if spread < near {
			break
		}
	}
	return best
}

// Timer is one of the kernel.
func (MachineClock) Timer() machine.Timer { return machine.NewTimer() }

// bootID is the kernel's name for this boot.
func bootID() (string, error) {
	text, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	id := strings.TrimSpace(string(text))
	if err != nil || id == "" || len(id) > 64 {
		return "", fmt.Errorf("the kernel does not say which boot this is, and a lease is bound to that: %w", err)
	}
	return id, nil
}
