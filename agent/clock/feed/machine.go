package feed

import (
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/clock/judge"
)

// Machine reads the machine's four clocks as nearly at once as can be: a pause
// among them would look like a step of the wall clock or a suspend.
func Machine() judge.Instant {
	const atOnce = 200 * time.Microsecond
	var best judge.Instant
	quickest := time.Duration(1<<63 - 1)
	for range 10 {
		before := read(unix.CLOCK_MONOTONIC)
		now := judge.Instant{
			Wall: time.Now().Round(0), Boot: read(unix.CLOCK_BOOTTIME),
			Raw: read(unix.CLOCK_MONOTONIC_RAW), Awake: read(unix.CLOCK_MONOTONIC),
		}
		if took := now.Awake - before; took < quickest {
			best, quickest = now, took
		}
		if quickest <= atOnce {
			break
		}
	}
	return best
}

func read(clock int32) time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(clock, &t); err != nil {
		panic("this kernel lacks a clock: " + err.Error()) // Linux has had them all since 2.6.39
	}
	return time.Duration(t.Nano())
}

// Thermometer reads a file with a temperature in thousandths of a degree
// Celsius, as the kernel's thermal zones and hardware monitors have it.
func Thermometer(file string) func() *float64 {
	return func() *float64 {
		text, err := os.ReadFile(file)
		if err != nil {
			return nil
		}
		thousandths, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 32)
		if err != nil || thousandths < -80_000 || thousandths > 200_000 {
			return nil
		}
		celsius := float64(thousandths) / 1000
		return &celsius
	}
}
