package main

import (
	"bufio"
	"bytes"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lamplighter/coordinator/store/storetest"
)

// asProgram makes the test binary be the program itself, so that signals and
// exit codes are real.
const asProgram = "LAMPLIGHTER_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	os.Exit(m.Run())
}

// child is the program as a process of its own, with a folder of its own for
// temporary files.
type child struct {
	*exec.Cmd
	folder string
	lines  *bufio.Scanner // of its standard output
	stderr lockedText
	output strings.Builder // lines that were read
}

// lockedText is written by one goroutine and read by another.
type lockedText struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lockedText) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lockedText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func startChild(t *testing.T, args ...string) *child {
	t.Helper()
	folder, err := os.MkdirTemp("", "lt") // short, because sockets are kept below it
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(folder, 0o755); err != nil { // the database's own user goes through it
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	c := &child{Cmd: exec.Command(os.Args[0], args...), folder: folder}
	c.Env = append(os.Environ(), asProgram+"=1", "TMPDIR="+folder)
	c.Stderr = &c.stderr
	stdout, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.lines = bufio.NewScanner(stdout)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	killer := time.AfterFunc(4*time.Minute, func() { _ = c.Process.Kill() })
	t.Cleanup(func() { killer.Stop(); _ = c.Process.Kill() })
	return c
}

// until reads what it prints up to the first line with these words, or to the
// end if there are none.
func (c *child) until(words string) bool {
	for c.lines.Scan() {
		c.output.WriteString(c.lines.Text() + "\n")
		if words != "" && strings.Contains(c.lines.Text(), words) {
			return true
		}
	}
	return false
}

// mustEndClean waits for its end and looks for what it may have left behind.
func (c *child) mustEndClean(t *testing.T) {
	t.Helper()
	c.until("")
	if err := c.Wait(); err != nil {
		t.Errorf("it ended with %v, said %q and printed\n%s", err, &c.stderr, &c.output)
	}
	if left, err := os.ReadDir(c.folder); err != nil || len(left) > 0 {
		t.Errorf("it left %v behind, %v", left, err)
	}
	for _, address := range regexp.MustCompile(`127\.0\.0\.1:\d+`).FindAllString(c.output.String(), -1) {
		if conn, err := net.Dial("tcp", address); err == nil {
			_ = conn.Close()
			t.Errorf("something still listens at %s", address)
		}
	}
	commands, err := filepath.Glob("/proc/[0-9]*/cmdline")
	if err != nil {
		t.Fatal(err)
	}
	for _, command := range commands {
		if text, err := os.ReadFile(command); err == nil && bytes.Contains(text, []byte(c.folder)) {
			t.Errorf("a process is left: %q", text)
		}
	}
}

func TestDemoGivesFirstOrdersAndEndsOnASignal(t *testing.T) {
	for _, signal := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM} {
		t.Run(signal.String(), func(t *testing.T) {
			t.Parallel()
			c := startChild(t, "demo")
			if !c.until("First orders at all 9 agents") {
				c.mustEndClean(t)
				t.Fatalf("no first orders:\n%s", &c.output)
			}
			if !regexp.MustCompile(`agents \d+\.\d s after the coordinator was up`).MatchString(c.output.String()) {
				t.Errorf("it does not say how long that took:\n%s", &c.output)
			}
			for _, words := range []string{"What runs here", "To look closer", "LAMPLIGHTER_SERVER=127.0.0.1:", "hush --site harbour", "/metrics"} {
				if !strings.Contains(c.output.String(), words) {
					t.Errorf("it does not print %q", words)
				}
			}
			if strings.Contains(c.output.String(), "\x1b") {
				t.Error("it draws in a pipe")
			}
			if err := c.Process.Signal(signal); err != nil {
				t.Fatal(err)
			}
			c.mustEndClean(t)
		})
	}
}

func TestDemoEndsByItself(t *testing.T) {
	t.Parallel()
	c := startChild(t, "demo", "--for", "2s", "--agents", "5")
	c.mustEndClean(t)
	if !strings.Contains(c.output.String(), "5, one for each beacon") {
		t.Errorf("it printed\n%s", &c.output)
	}
}

func TestDemoEndsBeforeItIsUp(t *testing.T) {
	t.Parallel()
	c := startChild(t, "demo")
	if !c.until("Starting a coordinator") {
		t.Fatal("it said nothing")
	}
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	c.mustEndClean(t)
}

func TestDemoKeepsItsFolderAndGoesOnFromThere(t *testing.T) {
	t.Parallel()
	folder, err := os.MkdirTemp("", "lt")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(folder) //nolint:errcheck // the test is over
	kept := filepath.Join(folder, "kept")
	if err := os.Chmod(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		c := startChild(t, "demo", "--dir", kept)
		if !c.until("First orders at all 9 agents") {
			t.Errorf("no first orders:\n%s", &c.output)
		}
		if err := c.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		c.mustEndClean(t)
	}
	for _, name := range []string{"demo.log", "coordinator/vault.key", "agents/mill-a"} {
		if _, err := os.Stat(filepath.Join(kept, name)); err != nil {
			t.Error(err)
		}
	}
}

func TestServeEndsOnASignal(t *testing.T) {
	t.Parallel()
	c := startChild(t, "serve", "--open-on-loopback", "--dir", t.TempDir(), "--database", storetest.URL(t),
		"--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0", "--mqtt", "127.0.0.1:0")
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	patience := time.After(time.Minute)
	for !strings.Contains(c.stderr.String(), "the coordinator is up") {
		select {
		case <-again.C:
		case <-patience:
			t.Fatalf("it is not up; said %q", &c.stderr)
		}
	}
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	c.mustEndClean(t)
}

// No agent is let in without a certificate unless somebody wants it so.
func TestServeIsClosedUnlessItIsATrial(t *testing.T) {
	got := lamplighter(t, "serve", "--dir", t.TempDir())
	if got.code != 2 || !strings.Contains(got.stderr, "--tls") || !strings.Contains(got.stderr, "--open-on-loopback") {
		t.Errorf("exit %d, said %q", got.code, got.stderr)
	}
}

func TestServeSaysWhatIsWrong(t *testing.T) {
	got := lamplighter(t, "serve", "--open-on-loopback", "--dir", t.TempDir(), "--database", "postgres://nobody@127.0.0.1:1/none",
		"--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0", "--mqtt", "127.0.0.1:0")
	if got.code != 1 || !strings.Contains(got.stderr, "is Postgres running there") {
		t.Errorf("without its database: exit %d, said %q", got.code, got.stderr)
	}
}
