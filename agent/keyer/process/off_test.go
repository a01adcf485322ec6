package process_test

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"lamplighter/agent/keyer/process"
	"lamplighter/agent/transmitter"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/setup"
)

// Off silences whatever the keyer is doing, and ends it for that.
func TestOffWhateverTheKeyerDoes(t *testing.T) {
	for _, c := range []struct {
		what  string
		do    func(pid int)
		ended bool
	}{
		{"at work", func(int) {}, true},
		{"stopped", func(pid int) { _ = syscall.Kill(pid, syscall.SIGSTOP) }, true},
		{"killed", func(pid int) { _ = syscall.Kill(pid, syscall.SIGKILL) }, false},
	} {
		t.Run(c.what, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			a := start(t, dir)
			a.status("any", func(*keyerv1.Status) bool { return true })
			pid := keyerOf(t, dir)
			c.do(pid)
			if c.what == "killed" {
				for range a.client.Messages() {
				}
			}
			silenced := 0
			ended, err := process.Off(dir, func() error { silenced++; return nil })
			if err != nil || silenced != 1 || (ended == pid) != c.ended {
				t.Errorf("ended %d (the keyer is %d), silenced %d times, %v", ended, pid, silenced, err)
			}
			for range a.client.Messages() { // it is gone
			}
		})
	}
}

// A keyer is killed whose standby was killed before it: the agent has Off run,
// as if there had been none.
func TestAKeyerWhoseStandbyIsGoneIsSilencedToo(t *testing.T) {
	t.Parallel()
	b := startKeyed(t)
	defer b.stop()
	standby := pidIn(t, b.dir, "standby")
	if err := syscall.Kill(standby, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	b.killKeyer()
	awaitWire(t, b.dir, low)
	if err := <-b.end; err == nil {
		t.Error("an agent that lost its keyer ended well")
	}
}

// Who stands by does nothing while the keyer works, and silences whatever ends
// it.
func TestStandby(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	a := start(t, dir)
	a.status("any", func(*keyerv1.Status) bool { return true })
	silenced := make(chan error, 1)
	fault := errors.New("the port is gone")
	go func() {
		silenced <- process.Standby(dir, func() error { return fault })
	}()
	a.status("another", func(*keyerv1.Status) bool { return true })
	select {
	case err := <-silenced:
		t.Fatalf("silenced beside a keyer at work: %v", err)
	default:
	}
	kill(t, dir)
	if err := <-silenced; !errors.Is(err, fault) {
		t.Errorf("%v", err)
	}
	if err := process.Standby(filepath.Join(dir, "none"), func() error { return fault }); !errors.Is(err, fault) {
		t.Errorf("without a folder: %v", err)
	}
}

func keyerOf(t *testing.T, dir string) int {
	t.Helper()
	return pidIn(t, dir, "pid")
}

func pidIn(t *testing.T, dir, name string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(string(text))
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

func TestOffWithoutAFolder(t *testing.T) {
	silenced := false
	ended, err := process.Off(filepath.Join(t.TempDir(), "none"), func() error { silenced = true; return nil })
	if ended != 0 || err != nil || !silenced {
		t.Errorf("%d, %v, silenced: %v", ended, err, silenced)
	}
	fault := errors.New("the port is gone")
	if _, err := process.Off(t.TempDir(), func() error { return fault }); !errors.Is(err, fault) {
		t.Errorf("%v", err)
	}
}

// A second keyer is refused before it touches the transmitter.
func TestTheFolderIsLockedBeforeTheTransmitterIsOpened(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	a := start(t, dir)
	a.status("any", func(*keyerv1.Status) bool { return true })
	touched := false
	o := process.Options{Config: config(), Dir: dir, In: strings.NewReader(""), Out: os.Stderr, Transmitter: func() (transmitter.Driver, error) {
		touched = true
		return transmitter.Open(setup.Transmitter{Driver: "simulated"}, nil)
	}}
	if err := process.Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "another keyer") || touched {
		t.Errorf("%v; touched: %v", err, touched)
	}
}
