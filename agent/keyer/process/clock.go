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
	// Timer makes a timer that is not set.
	Timer() Timer
}

// Timer is set again and again, by one goroutine.
type Timer interface {
	// Fires gives a word when the time has come. There may be one that was on
	// its way when the timer was set anew.
	Fires() <-chan time.Time
	// Set lets it fire d from now, and not when it was to before.
	Set(d time.Duration)
	// Stop ends the timer for good.
	Stop()
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

// Timer is one of the kernel, on the boot-time clock. Those of the language are
// about a millisecond late, which a symbol's edge would be too.
func (MachineClock) Timer() Timer {
	fd, err := unix.TimerfdCreate(unix.CLOCK_BOOTTIME, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return newCoarseTimer()
	}
	t := &kernelTimer{fd: fd, file: os.NewFile(uintptr(fd), "timer"), fires: make(chan time.Time, 1)}
	go t.listen()
	return t
}

// kernelTimer lasts, because it is set many times a second: setting it is one
// call of the kernel and wakes nobody.
type kernelTimer struct {
	fd    int
	file  *os.File
	fires chan time.Time
}

func (t *kernelTimer) Fires() <-chan time.Time { return t.fires }

func (t *kernelTimer) Set(d time.Duration) {
	at := unix.NsecToTimespec(max(1, d.Nanoseconds())) // 0 would be never
	if err := unix.TimerfdSettime(t.fd, 0, &unix.ItimerSpec{Value: at}, nil); err != nil {
		panic(fmt.Sprintf("a timer of the kernel can't be set: %v", err)) // none that it made is refused
	}
}

func (t *kernelTimer) Stop() { _ = t.file.Close() }

// listen passes on what the kernel says. A timer that can't be read fires for
// ever: who waits for it looks at the clock too often, and never too late.
func (t *kernelTimer) listen() {
	defer close(t.fires)
	var times [8]byte
	for {
		if _, err := t.file.Read(times[:]); err != nil {
			return
		}
		select {
		case t.fires <- time.Now():
		default: // the word before this was not taken yet
		}
	}
}

// coarseTimer is one of the language, for when the kernel has none to spare.
type coarseTimer struct{ timer *time.Timer }

func newCoarseTimer() coarseTimer {
	timer := time.NewTimer(time.Hour)
	timer.Stop()
	return coarseTimer{timer}
}

func (t coarseTimer) Fires() <-chan time.Time { return t.timer.C }
func (t coarseTimer) Set(d time.Duration)     { t.timer.Reset(d) }
func (t coarseTimer) Stop()                   { t.timer.Stop() }

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
