// Package brokertest starts a real MQTT broker for tests.
package brokertest

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lamplighter/proto/peertest"
)

// Mosquitto is a broker of its own process on a port of its own.
type Mosquitto struct {
	t      testing.TB
	addr   string
	config string
	binary string
	run    *exec.Cmd // nil: not running
}

// limits are those of deploy/mosquitto.
const limits = "max_queued_messages 100000\nmax_queued_bytes 67108864\nmax_inflight_messages 4000\n"

// StartMosquitto starts Debian's mosquitto on a free port of 127.0.0.1, without
// persistence, and ends it with the test. Without the program the test
// ends as peertest says.
func StartMosquitto(t testing.TB) *Mosquitto {
	t.Helper()
	m := &Mosquitto{t: t, binary: peertest.Find(t, "mosquitto"), addr: freeAddress(t)}
	host, port, _ := net.SplitHostPort(m.addr)
	m.config = filepath.Join(t.TempDir(), "mosquitto.conf")
	text := fmt.Sprintf("listener %s %s\nallow_anonymous true\npersistence false\nlog_dest stderr\n"+limits, port, host)
	if os.Getuid() == 0 {
		text += "user root\n" // another user could not read the file
	}
	if err := os.WriteFile(m.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(m.Kill)
	m.Start()
	return m
}

func freeAddress(t testing.TB) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	return listener.Addr().String()
}

// Addr is HOST:PORT.
func (m *Mosquitto) Addr() string { return m.addr }

// Process is its process's id.
func (m *Mosquitto) Process() int { return m.run.Process.Pid }

// URL is the broker's address for a client.
func (m *Mosquitto) URL() string { return "tcp://" + m.addr }

// Start starts it, again on the same port after Kill, and returns when it
// accepts connections. It has forgotten everything.
func (m *Mosquitto) Start() {
	m.t.Helper()
	run := exec.Command(m.binary, "-c", m.config)
	log, err := run.StderrPipe()
	if err != nil {
		m.t.Fatal(err)
	}
	if err := run.Start(); err != nil {
		m.t.Fatal(err)
	}
	m.run = run
	ready := make(chan string, 1)
	go func() {
		var said []string
		for lines := bufio.NewScanner(log); lines.Scan(); {
			said = append(said, lines.Text())
			if strings.HasSuffix(lines.Text(), " running") {
				ready <- ""
			}
			said = said[max(0, len(said)-20):]
		}
		select {
		case ready <- strings.Join(said, "\n"):
		default:
		}
	}()
	select {
	case said := <-ready:
		if said != "" {
			m.t.Fatalf("mosquitto ended at its start:\n%s", said)
		}
	case <-time.After(10 * time.Second):
		m.t.Fatal("mosquitto was not ready after 10 s")
	}
}

// Signal sends it a signal, as to make it hang.
func (m *Mosquitto) Signal(signal os.Signal) {
	if m.run != nil {
		_ = m.run.Process.Signal(signal)
	}
}

// Kill ends it with SIGKILL.
func (m *Mosquitto) Kill() {
	if m.run == nil {
		return
	}
	_ = m.run.Process.Kill()
	_ = m.run.Wait() // says that it was killed
	m.run = nil
}
