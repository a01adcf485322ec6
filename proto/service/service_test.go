package service

import (
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// manager is a service manager's socket; what it is told comes line by line.
func manager(t *testing.T) func() string {
	t.Helper()
	folder, err := os.MkdirTemp("", "notify") // a socket's path has at most 107 bytes
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	path := filepath.Join(folder, "s")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = socket.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	return func() string {
		buffer := make([]byte, 1000)
		if err := socket.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		n, err := socket.Read(buffer)
		if err != nil {
			t.Fatal(err)
		}
		return string(buffer[:n])
	}
}

func TestWhatTheManagerIsTold(t *testing.T) {
	told := manager(t)
	t.Setenv("WATCHDOG_USEC", "4000000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	n := FromEnvironment(slog.New(slog.DiscardHandler))
	if os.Getenv("NOTIFY_SOCKET") != "" || os.Getenv("WATCHDOG_USEC") != "" {
		t.Error("children would inherit the manager")
	}
	now := time.Now()
	n.Ready()
	n.Status("mute: no_lease")
	n.Status("mute: no_lease")
	n.Alive(now)
	n.Alive(now.Add(999 * time.Millisecond))
	n.Alive(now.Add(time.Second))
	for _, want := range []string{"READY=1\n", "STATUS=mute: no_lease\n", "WATCHDOG=1\n", "WATCHDOG=1\n"} {
		if got := told(); got != want {
			t.Errorf("told %q, want %q", got, want)
		}
	}
}

func TestNoSignOfLifeIsWanted(t *testing.T) {
	for _, pid := range []string{"", "1"} {
		told := manager(t)
		if pid != "" {
			t.Setenv("WATCHDOG_USEC", "4000000")
			t.Setenv("WATCHDOG_PID", pid)
		}
		n := FromEnvironment(slog.New(slog.DiscardHandler))
		n.Alive(time.Now())
		n.Ready()
		if got := told(); got != "READY=1\n" {
			t.Errorf("told %q", got)
		}
	}
}

func TestNoManager(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	n := FromEnvironment(slog.New(slog.DiscardHandler))
	if n != nil {
		t.Fatalf("%v", n)
	}
	n.Ready()
	n.Alive(time.Now())
	n.Status("well")
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "nobody"))
	if n := FromEnvironment(slog.New(slog.DiscardHandler)); n != nil {
		t.Errorf("a socket that nobody listens at makes %v", n)
	}
}
