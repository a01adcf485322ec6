package kernel

import (
	"context"
	"errors"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/clock/judge"
)

// adjtimex(2): when the clock counts as wrong, and in which unit the offset is.
func TestStatement(t *testing.T) {
	const good, ms = unix.STA_PLL, time.Millisecond
	for _, test := range []struct {
		name         string
		state        int
		status       int32
		offset, most time.Duration
		want         judge.Daemon
	}{
		{"disciplined", unix.TIME_OK, good, 0, 250 * ms, judge.Daemon{Synchronised: true, Bound: 250 * ms, Leap: judge.LeapNone}},
		{"an offset in microseconds", unix.TIME_OK, good, -50_000, 250 * ms, judge.Daemon{Synchronised: true, Bound: 300 * ms, Leap: judge.LeapNone}},
		{"an offset in nanoseconds", unix.TIME_OK, good | unix.STA_NANO, -50_000_000, 250 * ms, judge.Daemon{Synchronised: true, Bound: 300 * ms, Leap: judge.LeapNone}},
		{"a figure too good to be true", unix.TIME_OK, good, 0, 0, judge.Daemon{Synchronised: true, Bound: 100 * ms, Leap: judge.LeapNone}},
		{"a figure below zero", unix.TIME_OK, good, 0, -time.Hour, judge.Daemon{Synchronised: true, Bound: 100 * ms, Leap: judge.LeapNone}},
		{"the state is an error", unix.TIME_ERROR, good, 0, 0, judge.Daemon{Bound: 100 * ms}},
		{"not synchronised", unix.TIME_OK, good | unix.STA_UNSYNC, 0, 0, judge.Daemon{Bound: 100 * ms, Leap: judge.LeapNone}},
		{"a clock error", unix.TIME_OK, good | unix.STA_CLOCKERR, 0, 0, judge.Daemon{Bound: 100 * ms, Leap: judge.LeapNone}},
		{"pulse discipline without a pulse", unix.TIME_OK, unix.STA_PPSTIME, 0, 0, judge.Daemon{Bound: 100 * ms, Leap: judge.LeapNone}},
		{"frequency by the pulse without a pulse", unix.TIME_OK, unix.STA_PPSFREQ, 0, 0, judge.Daemon{Bound: 100 * ms, Leap: judge.LeapNone}},
		{"pulse discipline with a pulse", unix.TIME_OK, unix.STA_PPSTIME | unix.STA_PPSSIGNAL, 0, 0, judge.Daemon{Synchronised: true, Bound: 100 * ms, Leap: judge.LeapNone}},
		{"a second to be inserted", unix.TIME_INS, good, 0, 0, judge.Daemon{Synchronised: true, Bound: 100 * ms, Leap: judge.LeapInsert}},
		{"a second to be left out", unix.TIME_DEL, good, 0, 0, judge.Daemon{Synchronised: true, Bound: 100 * ms, Leap: judge.LeapDelete}},
		{"a second being inserted", unix.TIME_OOP, good, 0, 0, judge.Daemon{Synchronised: true, Bound: 100 * ms}},
		{"a second that was inserted", unix.TIME_WAIT, good, 0, 0, judge.Daemon{Synchronised: true, Bound: 100 * ms}},
	} {
		if got := statement(test.state, test.status, test.offset, test.most); got != test.want {
			t.Errorf("%s: %+v, want %+v", test.name, got, test.want)
		}
	}
}

// The real kernel must answer as it does when asked directly.
func TestRealKernel(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	var got judge.Daemon
	err := Clock{}.Run(ctx, func(e judge.Event) { got = e.(judge.Daemon); cancel() })
	if !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	var now unix.Timex
	state, err := unix.Adjtimex(&now)
	if err != nil {
		t.Fatal(err)
	}
	if wrong := state == unix.TIME_ERROR || now.Status&unix.STA_UNSYNC != 0; got.Synchronised == wrong || got.Bound < leastBound {
		t.Errorf("%+v, and the kernel says state %d, status %#x", got, state, now.Status)
	}
}
