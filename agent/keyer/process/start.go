package process

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// Commands are the arguments with which one program is each part of a keyer.
type Commands struct {
	Run     []string // must end in Run, over standard input and output
	Standby []string // must end in Standby; none: nobody stands by
	Off     []string // must end in Off; none: nobody silences
}

// Start runs a keyer as a process of its own. What it says on standard error
// goes to this process's. The keyer ends when ctx does, when the client is
// closed, and when this process dies.
//
// As soon as it is at work, a second process stands by, which silences when the
// keyer is gone, whatever ended it. When the keyer ended in any other way than
// an orderly one and nobody stood by, or in vain, Off is run. Only then the
// client is done.
func Start(ctx context.Context, exe string, commands Commands) (*Client, error) {
	cmd := exec.Command(exe, commands.Run...)
	cmd.Stderr = os.Stderr
	// A signal for the terminal's processes is for the agent, which ends its
	// keyer in an orderly way. When the agent dies, the keyer hears of it twice:
	// the pipe ends, and the kernel tells it to go.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGTERM}
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("no pipe to the keyer: %w", err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("no pipe from the keyer: %w", err)
	}
	started, allRead, ended := make(chan error), make(chan struct{}), make(chan error, 1)
	go func() {
		// The kernel's signal comes when the thread dies that started the
		// keyer, so that thread is kept.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		<-allRead
		ended <- cmd.Wait()
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("the keyer does not start: %w", err)
	}
	by := standby{exe: exe, args: commands.Standby}
	return newClient(ctx, keyerEnd{
		in: in, out: out,
		spoke: by.start,
		wait: func() error {
			close(allRead)
			err := <-ended
			silent := by.wait()
			if err == nil {
				return nil
			}
			err = fmt.Errorf("the keyer ended: %w", err)
			if silent {
				return err
			}
			return errors.Join(err, silence(exe, commands.Off))
		},
		kill: func() { _ = cmd.Process.Kill() },
	}), nil
}

// standby is the process that waits for a keyer's end. Should it not start, or
// die, there is still what silences after that end.
type standby struct {
	exe  string
	args []string
	cmd  *exec.Cmd // nil: there is none
}

func (s *standby) start() {
	if len(s.args) == 0 {
		return
	}
	cmd := exec.Command(s.exe, s.args...)
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // it outlives the agent until the keyer's end
	if cmd.Start() == nil {
		s.cmd = cmd
	}
}

// wait says whether it has silenced.
func (s *standby) wait() bool {
	if s.cmd == nil {
		return false
	}
	limit := time.AfterFunc(offTime, func() { _ = s.cmd.Process.Kill() })
	defer limit.Stop()
	return s.cmd.Wait() == nil
}

// silence runs what sees to the transmitter of a keyer that broke down.
func silence(exe string, off []string) error {
	if len(off) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), offTime)
	defer cancel()
	cmd := exec.CommandContext(ctx, exe, off...)
	cmd.Stderr = os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("nobody knows whether the transmitter is off: %w", err)
	}
	return nil
}

// offTime is how long that may take.
const offTime = 10 * time.Second

// InMemory runs a keyer on goroutines of this process, over an in-memory pipe.
// In and Out of the options are not used.
func InMemory(ctx context.Context, o Options) *Client {
	fromAgent, toKeyer := io.Pipe()
	fromKeyer, toAgent := io.Pipe()
	o.In, o.Out = fromAgent, toAgent
	running, cancel := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan error, 1)
	go func() {
		defer cancel()
		err := Run(running, o)
		_ = toAgent.Close()
		_ = fromAgent.Close()
		ended <- err
	}()
	return newClient(ctx, keyerEnd{
		in: toKeyer, out: fromKeyer,
		spoke: func() {},
		wait:  func() error { return <-ended },
		kill:  func() { cancel(); _ = fromKeyer.Close() },
	})
}
