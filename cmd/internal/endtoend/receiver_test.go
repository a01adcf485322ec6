package endtoend

import (
	"fmt"
	"io"
	"net"
	"os/exec"
	"os/user"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"lamplighter/proto/peertest"
)

// receiver is a GPS receiver as the real daemon of receivers meets it on a
// network line: the sentences of NMEA 0183, once a second, in true time.
type receiver struct {
	t       *testing.T
	plugged atomic.Bool // whether its antenna is
	daemon  string      // HOST:PORT of the daemon
	ended   chan struct{}
	lines   sync.WaitGroup
}

// newReceiver starts one, and the daemon that reads it.
func newReceiver(t *testing.T) *receiver {
	t.Helper()
	program := peertest.Find(t, "gpsd")
	line, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // closed below
	if err != nil {
		t.Fatal(err)
	}
	r := &receiver{t: t, daemon: freeAddress(t), ended: make(chan struct{})}
	r.plugged.Store(true)
	r.lines.Go(func() {
		for {
			conn, err := line.Accept()
			if err != nil {
				return
			}
			r.lines.Go(func() { r.speak(conn) })
		}
	})
	t.Cleanup(func() {
		_ = line.Close()
		close(r.ended)
		r.lines.Wait()
	})
	_, port, _ := net.SplitHostPort(r.daemon)
	background(t, "the daemon of receivers", program, "-N", "-n", "-S", port, "tcp://"+line.Addr().String())
	return r
}

// background runs a program that need not end by itself.
func background(t *testing.T, name, program string, args ...string) {
	t.Helper()
	said := newTranscript()
	command := exec.Command(program, args...) //nolint:noctx // it is killed below
	command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	command.Stdout, command.Stderr = said, said
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL)
		_ = command.Wait()
		if t.Failed() {
			t.Logf("---- %s said:\n%s", name, tail(said.String(), 3000))
		}
	})
}

// speak says each second what time it is, and whether there is a fix.
func (r *receiver) speak(line io.WriteCloser) {
	defer line.Close() //nolint:errcheck // only written to
	for {
		now := time.Now()
		select {
		case <-r.ended:
			return
		case <-time.After(now.Truncate(time.Second).Add(time.Second + 100*time.Millisecond).Sub(now)):
		}
		if _, err := io.WriteString(line, sentences(time.Now().UTC(), r.plugged.Load())); err != nil {
			return // the daemon is gone
		}
	}
}

// sentences are those of a second, with a fix or without.
func sentences(at time.Time, fix bool) string {
	clock, date := at.Format("150405.00"), at.Format("020106")
	bodies := []string{
		"GPRMC," + clock + ",V,,,,,,," + date + ",,,N",
		"GPGGA," + clock + ",,,,,0,00,,,M,,M,,",
		"GPGSA,A,1,,,,,,,,,,,,,,,",
	}
	if fix {
		bodies = []string{
			"GPRMC," + clock + ",A,4807.038,N,01131.000,E,0.0,0.0," + date + ",,,A",
			"GPGGA," + clock + ",4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
			"GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
		}
	}
	var text strings.Builder
	for _, body := range bodies {
		var sum byte
		for i := range len(body) {
			sum ^= body[i]
		}
		fmt.Fprintf(&text, "$%s*%02X\r\n", body, sum)
	}
	return text.String()
}

// timeDaemon starts a real time daemon that follows another one by two
// addresses, neither of which touches the machine's clock, and gives the address
// at which it tells how the time is.
func timeDaemon(t *testing.T) string {
	t.Helper()
	port := freePort(t)
	chronyd(t, "cmdport 0", "local stratum 3", "allow 127.0.0.0/8", "port "+port)
	asked := freePort(t)
	const often = " iburst minpoll 0 maxpoll 0"
	chronyd(t, "cmdport "+asked, "bindcmdaddress 127.0.0.1", "port 0", "server 127.0.0.1 port "+port+often, "server 127.0.0.2 port "+port+often)
	return "127.0.0.1:" + asked
}

func chronyd(t *testing.T, lines ...string) {
	t.Helper()
	program, folder := peertest.Find(t, "chronyd"), t.TempDir()
	us, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	lines = append(lines, "bindcmdaddress /", "pidfile "+filepath.Join(folder, "pid"))
	file := write(t, folder, "chrony.conf", strings.Join(lines, "\n")+"\n")
	background(t, "the time daemon", program, "-x", "-d", "-F", "0", "-f", file, "-U", "-u", us.Username)
}

func freePort(t *testing.T) string {
	t.Helper()
	socket, err := net.ListenPacket("udp", "127.0.0.1:0") //nolint:noctx // closed at once
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close() //nolint:errcheck // nothing was sent
	_, port, _ := net.SplitHostPort(socket.LocalAddr().String())
	return port
}
