package chrony

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"lamplighter/agent/clock/feed"
	"lamplighter/agent/clock/judge"
	"lamplighter/proto/peertest"
)

// daemon starts a real one that does not touch the machine's clock, with these
// further lines of configuration, and gives its monitoring address.
func daemon(t *testing.T, lines ...string) string {
	t.Helper()
	program := peertest.Find(t, "chronyd")
	folder, port := t.TempDir(), free(t)
	lines = append([]string{fmt.Sprintf("cmdport %d", port), "bindcmdaddress 127.0.0.1", "bindcmdaddress /", "pidfile " + folder + "/pid"}, lines...)
	file := filepath.Join(folder, "chrony.conf")
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	us, err := user.Current() // who may read the file, and whose the socket is
	if err != nil {
		t.Fatal(err)
	}
	command := exec.Command(program, "-x", "-d", "-F", "0", "-f", file, "-U", "-u", us.Username) // -U: an ordinary user may start it
	command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	var output strings.Builder
	command.Stdout, command.Stderr = &output, &output
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL)
		_ = command.Wait()
		if t.Failed() {
			t.Logf("chronyd said:\n%s", output.String())
		}
	})
	return fmt.Sprintf("127.0.0.1:%d", port)
}

func free(t *testing.T) int {
	t.Helper()
	socket, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = socket.Close() }()
	return socket.LocalAddr().(*net.UDPAddr).Port
}

// hear asks until what is told is as wanted.
func hear(t *testing.T, client Client, wanted func(judge.Daemon) bool) judge.Daemon {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	heard := make(chan judge.Daemon, 100)
	go func() {
		for ctx.Err() == nil { // until it has started
			_ = client.Run(ctx, func(e judge.Event) { heard <- e.(judge.Daemon) })
			select {
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
		}
	}()
	var last judge.Daemon
	for {
		select {
		case last = <-heard:
			if wanted(last) {
				return last
			}
		case <-ctx.Done():
			t.Fatalf("heard %+v at last", last)
		}
	}
}

// A daemon that serves its own clock says so, and is not believed.
func TestLocalDaemon(t *testing.T) {
	address := daemon(t, "local stratum 3", "port 0")
	d := hear(t, Client{Address: address}, func(d judge.Daemon) bool { return d.Synchronised })
	if !d.Local || d.Servers != 0 {
		t.Errorf("%+v, want a daemon that follows its own clock", d)
	}
	compare(t, address, d)
}

// By its socket the same is heard, and nothing of ours stays behind.
func TestDaemonBySocket(t *testing.T) {
	short, err := os.MkdirTemp("", "socket") // a socket's path has at most 107 bytes
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(short) })
	folder := filepath.Join(short, "c") // the daemon makes it with the rights that it insists on
	socket := filepath.Join(folder, "s")
	address := daemon(t, "local stratum 3", "port 0", "bindcmdaddress "+socket)
	hear(t, Client{Address: address}, func(d judge.Daemon) bool { return d.Synchronised })
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var heard judge.Daemon
	err = Client{Address: socket}.Run(ctx, func(e judge.Event) { heard = e.(judge.Daemon); cancel() })
	if !errors.Is(err, context.Canceled) || !heard.Synchronised || !heard.Local {
		t.Errorf("heard %+v (%v), want a daemon that follows its own clock", heard, err)
	}
	if left, _ := filepath.Glob(filepath.Join(folder, "lamplighter.*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// Two servers on one machine are two to the daemon; here both are one real
// daemon that claims a good stratum, so that the other has something to follow.
func TestFollowingDaemon(t *testing.T) {
	port := free(t)
	daemon(t, "local stratum 3", "allow 127.0.0.0/8", fmt.Sprintf("port %d", port))
	const often = "iburst minpoll 0 maxpoll 0"
	address := daemon(t, "port 0",
		fmt.Sprintf("server 127.0.0.1 port %d %s", port, often), fmt.Sprintf("server 127.0.0.2 port %d %s", port, often))
	client := Client{Address: address}
	d := hear(t, client, func(d judge.Daemon) bool { return d.Synchronised && d.Servers == 2 })
	if d.Local || d.Leap != judge.LeapNone {
		t.Errorf("%+v", d)
	}
	compare(t, address, d)

	source := feed.Source{
		Judge: judge.Config{Build: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), Daemon: true},
		Feeds: []feed.Feed{client},
	}
	deadline := time.After(20 * time.Second)
	for readings := source.Readings(t.Context()); ; {
		select {
		case r := <-readings:
			if !r.Known {
				continue
			}
			t.Logf("known to %v", r.Bound)
			if r.Bound > 100*ms || r.Offset.Abs() > 100*ms {
				t.Errorf("%+v, of a daemon on the same machine", r)
			}
			return
		case <-deadline:
			t.Fatal("two servers agree, and the time is not known")
		}
	}
}

// compare compares with what the daemon's own program prints.
func compare(t *testing.T, address string, d judge.Daemon) {
	t.Helper()
	host, port, _ := net.SplitHostPort(address)
	printed, err := exec.Command("chronyc", "-h", host, "-p", port, "-c", "tracking").Output()
	if err != nil {
		t.Fatalf("chronyc: %v", err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(printed))).ReadAll()
	if err != nil || len(rows) != 1 || len(rows[0]) != 14 {
		t.Fatalf("chronyc printed %q (%v)", printed, err)
	}
	number := func(i int) float64 {
		v, err := strconv.ParseFloat(rows[0][i], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	want := math.Abs(number(4)) + math.Max(0.005, number(10))/2 + number(11)
	// Both are of slightly different moments, and the age counts with 15 ppm.
	if got := d.Bound.Seconds(); math.Abs(got-want) > 2e-3+20*15e-6 {
		t.Errorf("the bound is %g s, and chronyc's figures make %g s", got, want)
	}
}

func TestNobodyThere(t *testing.T) {
	client := Client{Address: fmt.Sprintf("127.0.0.1:%d", free(t))}
	err := client.Run(t.Context(), nil)
	if err == nil || errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "chrony does not answer") {
		t.Errorf("%v", err)
	}
}
