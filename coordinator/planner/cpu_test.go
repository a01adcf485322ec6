package planner_test

import (
	"syscall"
	"testing"
	"time"
)

// processorTime is what this process has used so far, on all processors: unlike
// time on a clock it is hardly longer on a busy machine.
func processorTime(t testing.TB) time.Duration {
	t.Helper()
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		t.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
