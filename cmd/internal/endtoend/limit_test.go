package endtoend

import (
	"golang.org/x/sys/unix"
)

// limitFiles lets an agent write no file beyond so many bytes, which its writes
// meet as they meet a full disk; its keyer goes on as it was.
func (n *network) limitFiles(beacon string, bytes uint64) {
	n.t.Helper()
	limit := unix.Rlimit{Cur: bytes, Max: unix.RLIM_INFINITY}
	if err := unix.Prlimit(n.agents[beacon].cmd.Process.Pid, unix.RLIMIT_FSIZE, &limit, nil); err != nil {
		n.t.Fatal(err)
	}
}
