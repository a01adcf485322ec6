// Package external drives a transmitter through a program of the operator's own.
// The program is a child of the keyer, is spoken to in lines on its standard
// input and answers on its standard output, in the protocol of
// deploy/serial-keyer.md; package dialogue says it. What it writes to standard
// error goes to the keyer's.
//
// The child keys up when its input ends and when it hears nothing for 300 ms.
// When it dies or does not answer, it is ended and started anew, and until it
// has said that the carrier is off nobody knows; the keyer trips. What keeps a
// carrier on although its program is gone can't be driven so.
package external

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"time"

	"lamplighter/agent/transmitter/dialogue"
	"lamplighter/proto/setup"
)

// patience is how long a child may take to end once its input has ended.
const patience = 500 * time.Millisecond

// FromSetup starts the program that checked settings name.
func FromSetup(t setup.Transmitter) (*dialogue.Driver, error) {
	return dialogue.Open(t.Command[0], func() (io.ReadWriteCloser, error) { return start(t.Command) })
}

// child is a running program.
type child struct {
	in    io.WriteCloser
	out   io.ReadCloser
	kill  func()
	ended chan struct{}
}

func start(command []string) (io.ReadWriteCloser, error) {
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Stderr = os.Stderr
	// A signal for the terminal's processes is for the agent. The kernel ends
	// the child when the keyer dies.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGTERM}
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("no pipe to it: %w", err)
	}
	// Not StdoutPipe, which Wait closes: the child's end is noticed by reading.
	out, theirs, err := os.Pipe()
	if err != nil {
		return nil, errors.Join(fmt.Errorf("no pipe from it: %w", err), in.Close())
	}
	cmd.Stdout = theirs
	c := &child{in: in, out: out, ended: make(chan struct{})}
	c.kill = func() { _ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) } // its group: what it started too
	if err := c.run(cmd); err != nil {
		return nil, errors.Join(fmt.Errorf("it can't be started: %w", err), in.Close(), out.Close(), theirs.Close())
	}
	_ = theirs.Close() // the child has its own
	return c, nil
}

// run starts the child on a thread that is kept: the kernel's signal comes when
// that thread dies.
func (c *child) run(cmd *exec.Cmd) error {
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		_ = cmd.Wait() // whatever it ended with, it is gone
		close(c.ended)
	}()
	return <-started
}

func (c *child) Write(b []byte) (int, error) { return c.in.Write(b) }

func (c *child) Read(b []byte) (int, error) { return c.out.Read(b) }

// Close ends the child's input, then the child with all that it started.
func (c *child) Close() error {
	err := c.in.Close()
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-c.ended:
	case <-timer.C:
		c.kill()
		<-c.ended
	}
	return errors.Join(err, c.out.Close())
}
