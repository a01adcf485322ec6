package external_test

import (
	"fmt"
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
			_, _ = fmt.Fprintf(c, "%d %s", os.Getpid(), peer.Signal())
			_ = c.Close()
		}
	}()
	peer.Serve(standard{os.Stdin, os.Stdout})
}

// ask asks the program for its process and its signal; one that is gone has
// neither.
func ask(socket string) (pid int, signal string) {
	c, err := net.Dial("unix", socket)
	if err != nil {
		return 0, "off"
	}
	defer func() { _ = c.Close() }()
	text, _ := io.ReadAll(c)
	first, signal, _ := strings.Cut(string(text), " ")
	pid, err = strconv.Atoi(first)
	if err != nil {
		return 0, "off"
	}
	return pid, signal
}

func open(t *testing.T) (d transmitter.Driver, socket string) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	socket = filepath.Join(t.TempDir(), "s")
	driver, err := external.FromSetup(setup.Transmitter{Driver: "command", Command: []string{exe, "keyer", socket}})
	if err != nil {
		t.Fatal(err)
	}
	driver.AllowAnswers(250 * time.Millisecond) // one that is stopped gives none
	d = driver
	t.Cleanup(func() { _ = d.Close() })
	return d, socket
}

func TestItKeepsTheContract(t *testing.T) {
	transmittertest.Conformance(t, func(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
		d, socket := open(t)
		return d, func() bool { return on(socket) }
	})
}

func on(socket string) bool {
	_, signal := ask(socket)
	return signal != "off"
}

// A program that is killed or stopped: the carrier goes, the driver says so, and
// a new program is asked before anything is keyed again.
func TestAProgramThatIsGone(t *testing.T) {
	for name, signal := range map[string]syscall.Signal{"killed": syscall.SIGKILL, "stopped": syscall.SIGSTOP} {
		t.Run(name, func(t *testing.T) {
			d, socket := open(t)
			if err := d.Key(7040100, 50); err != nil || !on(socket) {
				t.Fatal(err)
			}
			pid, _ := ask(socket)
			if pid == 0 {
				t.Fatal("the program can't be asked")
			}
			if err := syscall.Kill(pid, signal); err != nil {
				t.Fatal(err)
			}
			eventually(t, "a tone fails", func() bool { return d.Tone(7040101) != nil })
			if err := d.Unkey(); err == nil {
				t.Error("it says that the carrier is off, and nobody did")
			}
			eventually(t, "a new program says off", func() bool { return d.Unkey() == nil })
			if on(socket) {
				t.Error("the carrier is on")
			}
			if err := d.Key(7040100, 50); err != nil || !on(socket) {
				t.Errorf("not keyed: %v", err)
			}
		})
	}
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
