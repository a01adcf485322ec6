package external_test

import (
	"io"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/dialogue/dialoguetest"
	"lamplighter/agent/transmitter/external"
	"lamplighter/agent/transmitter/transmittertest"
	"lamplighter/proto/setup"
)

// The test program is the external program too, when it is called so.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == "keyer" {
		beKeyer(os.Args[2])
		return
	}
	os.Exit(m.Run())
}

type standard struct {
	io.Reader
	io.Writer
}

// beKeyer obeys on standard input and output, and says on a socket whether there
// is a carrier, and which process it is.
func beKeyer(socket string) {
	peer := dialoguetest.New()
	_ = os.Remove(socket)
	listener, err := net.Listen("unix", socket)
	if err != nil {
		panic(err)
	}
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			_, _ = io.WriteString(c, peer.Signal())
			_ = c.Close()
		}
	}()
	peer.Serve(standard{os.Stdin, os.Stdout})
}

// carrier asks a keyer for its signal; one that is gone has none.
func carrier(socket string) transmittertest.Probe {
	return func() bool {
		c, err := net.Dial("unix", socket)
		if err != nil {
			return false
		}
		defer func() { _ = c.Close() }()
		signal, _ := io.ReadAll(c)
		return len(signal) > 0 && string(signal) != "off"
	}
}

func open(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(t.TempDir(), "s")
	d, err := external.FromSetup(setup.Transmitter{Driver: "command", Command: []string{exe, "keyer", socket}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d, carrier(socket)
}

func TestItKeepsTheContract(t *testing.T) { transmittertest.Conformance(t, open) }

// A program that is killed or stopped: the carrier goes, the driver says so, and
// a new program is asked before anything is keyed again.
func TestAProgramThatIsGone(t *testing.T) {
	for name, signal := range map[string]syscall.Signal{"killed": syscall.SIGKILL, "stopped": syscall.SIGSTOP} {
		t.Run(name, func(t *testing.T) {
			d, on := open(t)
			if err := d.Key(7040100, 50); err != nil || !on() {
				t.Fatal(err)
			}
			if err := syscall.Kill(onlyChild(t), signal); err != nil {
				t.Fatal(err)
			}
			eventually(t, "a tone fails", func() bool { return d.Tone(7040101) != nil })
			if err := d.Unkey(); err == nil {
				t.Error("it says that the carrier is off, and nobody did")
			}
			eventually(t, "a new program says off", func() bool { return d.Unkey() == nil })
			if on() {
				t.Error("the carrier is on")
			}
			if err := d.Key(7040100, 50); err != nil || !on() {
				t.Errorf("not keyed: %v", err)
			}
		})
	}
}

// onlyChild finds the program that the driver started.
func onlyChild(t *testing.T) int {
	t.Helper()
	for _, entry := range children(t) {
		return entry
	}
	t.Fatal("no child")
	return 0
}

func children(t *testing.T) (all []int) {
	t.Helper()
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range stats {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // it ended
		}
		if pid, parent, ok := family(string(text)); ok && parent == os.Getpid() {
			all = append(all, pid)
		}
	}
	return all
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	ticker := time.NewTicker(5 * time.Millisecond)
	defer ticker.Stop()
	for deadline := time.Now().Add(20 * time.Second); !ok(); {
		if time.Now().After(deadline) {
			t.Fatalf("never: %s", what)
		}
		<-ticker.C
	}
}

func TestNoSuchProgram(t *testing.T) {
	for _, command := range [][]string{{"/no/such/program"}, {"/bin/true"}, {"/bin/cat"}} {
		_, err := external.FromSetup(setup.Transmitter{Driver: "command", Command: command})
		if err == nil || !strings.HasPrefix(err.Error(), command[0]+": ") {
			t.Errorf("%v", err)
		}
	}
}

// family reads a process's number and its parent's; zombies are gone.
func family(stat string) (pid, parent int, alive bool) {
	name := strings.LastIndexByte(stat, ')')
	if name < 0 {
		return 0, 0, false
	}
	fields := strings.Fields(stat[name+1:])
	first, _, _ := strings.Cut(stat, " ")
	pid, badPID := strconv.Atoi(first)
	parent, badParent := strconv.Atoi(fields[1])
	return pid, parent, badPID == nil && badParent == nil && fields[0] != "Z"
}
