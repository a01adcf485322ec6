package database

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
)

// attributes puts a child into a process group of its own, so that a Ctrl-C at
// the terminal is ours to pass on, and has the kernel interrupt it when the
// thread that started it ends.
func attributes(owner account) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGINT, Credential: owner.credential}
}

// bound runs do on a thread that lasts as long as do takes: the kernel ties a
// parent's death to the thread, not to the process.
func bound(do func()) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		do()
	}()
	<-done
}

// runBound runs a command to its end and returns what it wrote.
func runBound(command *exec.Cmd) (string, error) {
	var output bytes.Buffer
	command.Stdout, command.Stderr = &output, &output
	var err error
	bound(func() { err = command.Run() })
	return output.String(), err
}

// locker is the process that the data folder's lock file names, if it is alive;
// else 0. It is ours when it is a Postgres of this folder.
func (f folder) locker() (id int, ours bool) {
	text, err := os.ReadFile(f.lockFile())
	if err != nil {
		return 0, false
	}
	first, _, _ := strings.Cut(string(text), "\n")
	id, err = strconv.Atoi(strings.TrimSpace(first))
	if err != nil || id <= 1 {
		return 0, false
	}
	commandLine, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(id), "cmdline"))
	if err != nil || len(commandLine) == 0 { // gone, or gone and not yet collected
		return 0, false
	}
	return id, bytes.Contains(commandLine, []byte("\x00"+f.data+"\x00"))
}

func (f folder) lockFile() string { return filepath.Join(f.data, "postmaster.pid") }

// dropStaleLock removes a lock file whose number went to another program, which
// Postgres cannot tell from itself. One of a process that is gone is left to
// Postgres: it says there which shared memory sessions of a killed server may
// still be using.
func (f folder) dropStaleLock() error {
	if id, ours := f.locker(); id == 0 || ours {
		return nil
	}
	return os.Remove(f.lockFile())
}
