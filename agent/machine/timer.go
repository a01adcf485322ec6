package machine

import (
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

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

// NewTimer makes one of the kernel, on the boot-time clock. Those of the language
// are about a millisecond late, which a symbol's edge would be too.
func NewTimer() Timer {
	fd, err := unix.TimerfdCreate(unix.CLOCK_BOOTTIME, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return newCoarseTimer()
	}
	file := os.NewFile(uintptr(fd), "timer")
	conn, err := file.SyscallConn()
	if err != nil {
		return newCoarseTimer()
	}
	t := &kernelTimer{fd: fd, file: file, conn: conn, fires: make(chan time.Time, 1)}
	go t.listen()
	return t
}

// kernelTimer lasts, because it is set many times a second: setting it is one
// call of the kernel and wakes nobody.
type kernelTimer struct {
	fd    int
	file  *os.File
	conn  syscall.RawConn
	fires chan time.Time
}

func (t *kernelTimer) Fires() <-chan time.Time { return t.fires }

func (t *kernelTimer) Set(d time.Duration) { setTimer(t.fd, d) }

func (t *kernelTimer) Stop() { _ = t.file.Close() }

// listen passes on what the kernel says. A timer that can't be read fires for
// ever: who waits for it looks at the clock too often, and never too late.
func (t *kernelTimer) listen() {
	defer close(t.fires)
	for {
		var failed error
		err := t.conn.Read(func(fd uintptr) (fired bool) {
			fired, failed = readTimer(fd)
			return fired
		})
		if err != nil || failed != nil {
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
