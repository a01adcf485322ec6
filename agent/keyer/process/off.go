package process

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// How long Off waits for a keyer that is at work.
const (
	orderly = 300 * time.Millisecond // until it is killed
	killed  = time.Second            // until it is not waited for any more
	lookFor = 2 * time.Millisecond
)

// Off silences a transmitter whose keyer in this folder is gone, or is to go:
// one that is at work is told to end, and killed if it does not. Then silence
// sees to the transmitter itself, whatever went before, while no keyer can
// start. It says which process it ended, 0 for none; an error means that nobody
// knows whether the carrier is off.
func Off(dir string, silence func() error) (ended int, err error) {
	file, err := os.OpenFile(filepath.Join(dir, lockName), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return 0, silence() // a folder that can't be used holds no keyer either
	}
	defer func() { _ = file.Close() }() // unlocks
	ended, locked := evict(file)
	err = silence()
	if err != nil && !locked {
		err = errors.Join(err, fmt.Errorf("the keyer in %s (process %d) does not end", dir, ended))
	}
	return ended, err
}

// Standby waits until no keyer is at work in a folder, and then silences, while
// none can start. It is running before it is needed, and the kernel wakes it
// when the keyer's last file is closed: to start a process takes a busy machine
// longer than a carrier may last.
func Standby(dir string, silence func() error) error {
	file, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR, 0)
	if err != nil {
		return silence() // a keyer that is at work has one
	}
	defer func() { _ = file.Close() }() // unlocks
	debug.FreeOSMemory()                // nothing happens here for months
	for err = unix.EINTR; errors.Is(err, unix.EINTR); {
		err = unix.Flock(int(file.Fd()), unix.LOCK_EX)
	}
	return errors.Join(err, seize(file), silence())
}

// evict locks the folder, and ends who has it for that.
func evict(file *os.File) (pid int, locked bool) {
	if seize(file) == nil {
		return 0, true
	}
	pid = holder(file)
	for _, try := range []struct {
		signal syscall.Signal
		within time.Duration
	}{{syscall.SIGTERM, orderly}, {syscall.SIGKILL, killed}} {
		if pid > 0 && pid != os.Getpid() {
			_ = syscall.Kill(pid, try.signal) // gone: then its lock is too
		}
		if waitFor(file, try.within) {
			return pid, true
		}
	}
	return pid, false
}

func waitFor(file *os.File, within time.Duration) (locked bool) {
	ticker := time.NewTicker(lookFor)
	defer ticker.Stop()
	for end := time.Now().Add(within); time.Now().Before(end); <-ticker.C {
		if seize(file) == nil {
			return true
		}
	}
	return false
}
