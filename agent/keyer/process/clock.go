package process

import (
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/keyer"
)

// Clock gives the time. Tests and simulations bring their own.
type Clock interface {
	// Now reads both clocks at once.
	Now() keyer.Instant
	// Timer sends once on the channel after d; stop ends it early.
	Timer(d time.Duration) (fire <-chan time.Time, stop func())
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
		before, wall, after := bootTime(), time.Now().Round(0), bootTime()
		if after-before < spread {
			spread, best = after-before, keyer.Instant{Wall: wall, Boot: before + (after-before)/2}
		}
		if spread < near {
			break
		}
	}
	return best
}

// Timer is a timer of the kernel on the boot-time clock. Those of the language
// are about a millisecond late, which a symbol's edge would be too.
func (MachineClock) Timer(d time.Duration) (<-chan time.Time, func()) {
	fd, err := unix.TimerfdCreate(unix.CLOCK_BOOTTIME, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return coarse(d)
	}
	kernel := os.NewFile(uintptr(fd), "timer")
	at := unix.NsecToTimespec(max(1, d.Nanoseconds()))
	if err := unix.TimerfdSettime(fd, 0, &unix.ItimerSpec{Value: at}, nil); err != nil {
		_ = kernel.Close()
		return coarse(d)
	}
	fire := make(chan time.Time, 1)
	go func() {
		var times [8]byte
		if _, err := kernel.Read(times[:]); err == nil {
			fire <- time.Now()
		}
	}()
	return fire, func() { _ = kernel.Close() }
}

// coarse is a timer of the language, for when the kernel has none to spare.
func coarse(d time.Duration) (<-chan time.Time, func()) {
	timer := time.NewTimer(d)
	return timer.C, func() { timer.Stop() }
}

func bootTime() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		panic(fmt.Sprintf("no boot-time clock: %v", err)) // every kernel since 2.6.39 has one
	}
	return time.Duration(t.Nano())
}

// bootID is the kernel's name for this boot.
func bootID() (string, error) {
	text, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	id := strings.TrimSpace(string(text))
	if err != nil || id == "" || len(id) > 64 {
		return "", fmt.Errorf("the kernel does not say which boot this is, and a lease is bound to that: %w", err)
	}
	return id, nil
}
