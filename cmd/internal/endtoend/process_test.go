package endtoend

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The programs under test, built once.
var lamplighter, lamplighterAgent string

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	// These tests mostly wait for slots to come: more of them than processors
	// can wait together.
	flag.Parse()
	if err := flag.Set("test.parallel", "6"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if err := lookAtSources(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	folder, err := os.MkdirTemp("", "lamplighter-endtoend")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(folder) }()
	lamplighter = filepath.Join(folder, "lamplighter")
	lamplighterAgent = filepath.Join(folder, "lamplighter-agent")
	for program, source := range map[string]string{lamplighter: "lamplighter/cmd/lamplighter", lamplighterAgent: "lamplighter/cmd/lamplighter-agent"} {
		args := append([]string{"build"}, raceFlags...)
		out, err := exec.CommandContext(context.Background(), "go", append(args, "-o", program, source)...).CombinedOutput()
		if err != nil {
			fmt.Fprintf(os.Stderr, "%s\n%s\n", err, out)
			return 1
		}
	}
	return m.Run()
}

// lookAtSources looks at every file that the programs are built from. The go
// command remembers what a test has looked at, and runs it again when any of it
// has changed; of programs that a test builds it knows nothing.
func lookAtSources() error {
	for _, folder := range []string{"agent", "cmd", "coordinator", "migrations", "proto"} {
		err := filepath.WalkDir(filepath.Join("../../..", folder), func(path string, entry fs.DirEntry, err error) error {
			if err == nil && !entry.IsDir() {
				_, err = os.Stat(path)
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// process is a program that runs, and all that it has said.
type process struct {
	t    *testing.T
	name string
	cmd  *exec.Cmd
	said *transcript
	done chan struct{}
}

// patience is for conditions that hold within seconds on an idle machine. A
// busy one may be much slower, and that is no fault.
const patience = 3 * time.Minute

// transcript collects what a program says and lets others wait for it.
type transcript struct {
	mu   sync.Mutex
	text bytes.Buffer
	more chan struct{}
}

func newTranscript() *transcript { return &transcript{more: make(chan struct{})} }

func (s *transcript) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	close(s.more)
	s.more = make(chan struct{})
	return s.text.Write(b)
}

func (s *transcript) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

func (s *transcript) changed() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.more
}

// start runs a program until the test ends, or until it is killed.
func start(t *testing.T, name, program string, args ...string) *process {
	t.Helper()
	p := &process{t: t, name: name, cmd: exec.Command(program, args...), said: newTranscript(), done: make(chan struct{})} //nolint:noctx // it is killed below
	p.cmd.Stdout, p.cmd.Stderr = p.said, p.said
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	p.cmd.WaitDelay = 5 * time.Second
	if err := p.cmd.Start(); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	go func() {
		_ = p.cmd.Wait()
		close(p.done)
	}()
	t.Cleanup(func() {
		p.stop()
		if t.Failed() {
			t.Logf("---- %s said:\n%s", name, tail(p.said.String(), 6000))
		}
	})
	return p
}

func tail(text string, most int) string {
	if len(text) > most {
		return "…" + text[len(text)-most:]
	}
	return text
}

// stop asks a program to end, and makes it when patience is over.
func (p *process) stop() {
	_ = p.cmd.Process.Signal(syscall.SIGCONT) // one that is stopped would not hear
	_ = p.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case <-p.done:
	case <-time.After(patience):
		p.t.Errorf("%s did not end within %s of SIGTERM", p.name, patience)
		p.kill()
	}
}

// kill ends a program at once, without a chance to tidy up.
func (p *process) kill() {
	_ = p.cmd.Process.Kill()
	<-p.done
}

// waitFor waits until the program has said something, and gives it with what the
// pattern's groups matched.
func (p *process) waitFor(pattern string) []string {
	p.t.Helper()
	re := regexp.MustCompile(pattern)
	deadline := time.After(patience)
	for {
		more := p.said.changed()
		if match := re.FindStringSubmatch(p.said.String()); match != nil {
			return match
		}
		select {
		case <-more:
		case <-p.done:
			if match := re.FindStringSubmatch(p.said.String()); match != nil {
				return match
			}
			p.t.Fatalf("%s ended without saying %q:\n%s", p.name, pattern, p.said)
		case <-deadline:
			p.t.Fatalf("%s did not say %q within %s:\n%s", p.name, pattern, patience, tail(p.said.String(), 6000))
		}
	}
}

// eventually waits until a condition holds, looking ten times a second.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	eventuallyWithin(t, patience, what, holds)
}

// eventuallyWithin does so for a time of its own.
func eventuallyWithin(t *testing.T, most time.Duration, what string, holds func() bool) {
	t.Helper()
	deadline := time.After(most)
	again := time.NewTicker(100 * time.Millisecond)
	defer again.Stop()
	for !holds() {
		select {
		case <-again.C:
		case <-deadline:
			t.Fatalf("not within %s: %s", most, what)
		}
	}
}

// result is how a command ended.
type result struct {
	exit           int
	stdout, stderr string
}

// command runs a program to its end.
func command(t *testing.T, program string, args ...string) result {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	var stdout, stderr bytes.Buffer
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	if err := cmd.Run(); err != nil && cmd.ProcessState == nil {
		t.Fatal(err)
	}
	return result{cmd.ProcessState.ExitCode(), stdout.String(), stderr.String()}
}

// must runs a program that has to end well, and returns what it printed.
func must(t *testing.T, program string, args ...string) string {
	t.Helper()
	r := command(t, program, args...)
	if r.exit != 0 {
		t.Fatalf("%s %s: exit %d\n%s%s", filepath.Base(program), strings.Join(args, " "), r.exit, r.stdout, r.stderr)
	}
	return r.stdout
}

// write makes a file in the test's own folder.
func write(t *testing.T, folder, name, text string) string {
	t.Helper()
	file := filepath.Join(folder, name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}
