// Package kernel hears what the kernel knows of the wall clock: whatever daemon
// disciplines it tells the kernel how wrong it may be, and the kernel lets that
// grow by 500 ppm until it is told anew (adjtimex(2)). Nothing is ever set.
//
// Small daemons leave the way to their server out of that figure, or say zero.
// So it counts as 100 ms at the least: enough to tell one second from the next,
// not enough to watch over a pulse. Nor does the kernel know how many servers
// there are; it is one witness. If its daemon follows the very receiver that is
// listened to, it is none, and should not be asked.
package kernel

import (
	"context"
	"fmt"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/clock/judge"
)

const every = time.Second

// leastBound is how wrong a disciplined clock may be at the least.
const leastBound = 100 * time.Millisecond

// Clock is the kernel's.
type Clock struct{}

func (Clock) String() string { return "kernel" }

// Run asks once a second and tells the answer, until ctx ends.
func (Clock) Run(ctx context.Context, tell func(judge.Event)) error {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		var t unix.Timex // no modes: nothing is set
		state, err := unix.Adjtimex(&t)
		if err != nil {
			return fmt.Errorf("the kernel does not say how the clock is: %w; may this program call adjtimex?", err)
		}
		tell(statement(state, t.Status, time.Duration(t.Offset), time.Duration(t.Maxerror)*time.Microsecond))
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-ticker.C:
		}
	}
}

// statement is what the kernel says; offset is in its own unit.
func statement(state int, status int32, offset, most time.Duration) judge.Daemon {
	if status&unix.STA_NANO == 0 {
		offset *= 1000
	}
	disciplined := status&(unix.STA_PPSFREQ|unix.STA_PPSTIME) != 0
	return judge.Daemon{
		Synchronised: state != unix.TIME_ERROR && status&(unix.STA_UNSYNC|unix.STA_CLOCKERR) == 0 &&
			(!disciplined || status&unix.STA_PPSSIGNAL != 0),
		Bound: max(leastBound, offset.Abs()+max(0, most)),
		Leap:  leap(state),
	}
}

func leap(state int) judge.Leap {
	switch state {
	case unix.TIME_OK:
		return judge.LeapNone
	case unix.TIME_INS:
		return judge.LeapInsert
	case unix.TIME_DEL:
		return judge.LeapDelete
	}
	return judge.LeapUnsaid
}
