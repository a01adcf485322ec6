package process

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/keyer"
)

// Names in the keyer's folder.
const (
	stateName = "keyer.state"
	nextName  = "keyer.state.new" // not whole before it is renamed
	lockName  = "keyer.lock"
)

// maxState is the size of the largest state that is read.
const maxState = 8 << 20

// volume is a folder, as far as the state needs it. Tests cut its power.
type volume interface {
	open(name string) (io.ReadCloser, error)
	create(name string) (blank, error) // empties what is there
	rename(from, to string) error
	sync() error // of names
}

// blank is a file that is being written.
type blank interface {
	io.WriteCloser
	Sync() error
}

// folder is a volume on the machine's disk.
type folder string

func (f folder) open(name string) (io.ReadCloser, error) {
	return os.Open(filepath.Join(string(f), name))
}

func (f folder) create(name string) (blank, error) {
	return os.OpenFile(filepath.Join(string(f), name), os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
}

func (f folder) rename(from, to string) error {
	return os.Rename(filepath.Join(string(f), from), filepath.Join(string(f), to))
}

func (f folder) sync() error {
	dir, err := os.Open(string(f))
	if err != nil {
		return err
	}
	err = dir.Sync()
	if closed := dir.Close(); err == nil {
		err = closed
	}
	return err
}

// readState reads what is on disk, if anything.
func readState(v volume) keyer.Persisted {
	file, err := v.open(stateName)
	if errors.Is(err, fs.ErrNotExist) {
		return keyer.Persisted{}
	}
	if err != nil {
		return keyer.Persisted{Unreadable: err}
	}
	defer func() { _ = file.Close() }()
	state, err := io.ReadAll(io.LimitReader(file, maxState+1))
	if err == nil && len(state) == 0 {
		err = errors.New("the file is empty")
	}
	return keyer.Persisted{State: state, Unreadable: err}
}

// writeState replaces the state so that, whenever the power goes, the old one
// or the new one is there, whole; and the new one once this has returned.
func writeState(v volume, state []byte) error {
	file, err := v.create(nextName)
	if err != nil {
		return err
	}
	_, err = file.Write(state)
	if err == nil {
		err = file.Sync()
	}
	if closed := file.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = v.rename(nextName, stateName)
	}
	if err != nil {
		return err
	}
	return v.sync()
}

// lock keeps a second keyer from the same folder, and so from the same
// transmitter. One that is about to end gets two seconds for it.
func lock(dir string) (unlock func(), err error) {
	file, err := os.OpenFile(filepath.Join(dir, lockName), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("the keyer needs its folder: %w", err)
	}
	again := time.NewTicker(100 * time.Millisecond)
	defer again.Stop()
	for range 20 {
		if err = seize(file); err == nil {
			return func() { _ = file.Close() }, nil
		}
		<-again.C
	}
	_ = file.Close()
	return nil, fmt.Errorf("another keyer is at work in %s: stop it first (%w)", dir, err)
}

// seize locks an open lock file, if nobody has. The first lock keeps others
// out, also of the same process; the second lets the kernel say who holds it.
func seize(file *os.File) error {
	if err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return err
	}
	return unix.FcntlFlock(file.Fd(), unix.F_SETLK, &unix.Flock_t{Type: unix.F_WRLCK})
}

// holder is the process that holds a lock file; 0: none, or one that can't be
// seen from here.
func holder(file *os.File) int {
	held := unix.Flock_t{Type: unix.F_WRLCK}
	if err := unix.FcntlFlock(file.Fd(), unix.F_GETLK, &held); err != nil || held.Type == unix.F_UNLCK {
		return 0
	}
	return max(0, int(held.Pid))
}
