package sim

import (
	"syscall"
	"time"
)

// cpu is how much of one core this process has used.
func cpu() time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		return 0
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
