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

// Start runs a keyer as a process of its own: exe with args, which must end in
// Run over standard input and output. What it says on standard error goes to
// this process's. The keyer ends when ctx does, when the client is closed, and
// when this process dies. When it ends in any other way, exe is run with the
// arguments off, if there are any, which must end in Off; only then the client
// is done.
func Start(ctx context.Context, exe string, args []string, off ...string) (*Client, error) {
	cmd := exec.Command(exe, args...)
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
	return newClient(ctx, keyerEnd{
		in: in, out: out,
		wait: func() error {
			close(allRead)
			err := <-ended
			if err == nil {
				return nil
			}
			return errors.Join(fmt.Errorf("the keyer ended: %w", err), silence(exe, off))
		},
		kill: func() { _ = cmd.Process.Kill() },
	}), nil
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
		wait: func() error { return <-ended },
		kill: func() { cancel(); _ = fromKeyer.Close() },
	})
}
