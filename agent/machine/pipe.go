package machine

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// Pipe is one end of a pipe, which the runtime's poller waits for and no thread.
type Pipe struct {
	given, polled *os.File
	conn          syscall.RawConn
}

// NewPipe makes one of a file, which is the pipe's from then on; nil if the file
// is no pipe. One inherited from another process blocks: that is ended, also for
// whoever else has it.
func NewPipe(file *os.File) *Pipe {
	if info, err := file.Stat(); err != nil || info.Mode()&fs.ModeNamedPipe == 0 {
		return nil
	}
	fd, err := unix.FcntlInt(file.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil || unix.SetNonblock(fd, true) != nil {
		return nil
	}
	polled := os.NewFile(uintptr(fd), file.Name())
	conn, err := polled.SyscallConn()
	if err != nil {
		return nil
	}
	return &Pipe{file, polled, conn}
}

// Read waits until something is there, or the other end is closed.
func (p *Pipe) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	var n int
	var failed unix.Errno
	err := p.conn.Read(func(fd uintptr) bool {
		n, failed = read(fd, b)
		return failed != unix.EAGAIN
	})
	switch {
	case err != nil:
		return 0, err
	case failed != 0:
		return 0, os.NewSyscallError("read", failed)
	case n == 0:
		return 0, io.EOF
	}
	return n, nil
}

// Write waits until all of it fits.
func (p *Pipe) Write(b []byte) (int, error) {
	wrote := 0
	var failed unix.Errno
	err := p.conn.Write(func(fd uintptr) bool {
		for failed = 0; wrote < len(b) && failed == 0; {
			var n int
			if n, failed = write(fd, b[wrote:]); failed == 0 {
				wrote += n
			}
		}
		return failed != unix.EAGAIN
	})
	if err == nil && failed != 0 {
		err = os.NewSyscallError("write", failed)
	}
	return wrote, err
}

// Close closes this end.
func (p *Pipe) Close() error { return errors.Join(p.polled.Close(), p.given.Close()) }
