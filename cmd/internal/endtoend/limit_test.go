package endtoend

import (
	"golang.org/x/sys/unix"
)

// limitFiles lets an agent write no file beyond so many bytes, which its writes
// meet as they meet a full disk; its keyer goes on as it was.
func limitFiles(agent *process, bytes uint64) error {
	limit := unix.Rlimit{Cur: bytes, Max: unix.RLIM_INFINITY}
	return unix.Prlimit(agent.cmd.Process.Pid, unix.RLIMIT_FSIZE, &limit, nil)
}
