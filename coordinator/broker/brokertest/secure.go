package brokertest

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lamplighter/proto/peertest"
)

// SecureMosquitto is Mosquitto as deploy/mosquitto configures it.
type SecureMosquitto struct {
	*Mosquitto
	coordinators string
}

// CoordinatorURL is where coordinators connect.
func (m *SecureMosquitto) CoordinatorURL() string { return "ssl://" + m.coordinators }

// AgentURL is where agents connect.
func (m *SecureMosquitto) AgentURL() string { return "ssl://" + m.Addr() }

// StartSecureMosquitto starts what NewSecureMosquitto makes.
func StartSecureMosquitto(t testing.TB, deploy, network, files string) *SecureMosquitto {
	t.Helper()
	m := NewSecureMosquitto(t, deploy, network, files)
	m.Start()
	return m
}

// NewSecureMosquitto makes Mosquitto with the configuration that is shipped in
// the folder deploy: ports, the network's id and the folder of the files are all
// that is changed. files is the folder that a coordinator keeps, which has to be
// filled before Start.
func NewSecureMosquitto(t testing.TB, deploy, network, files string) *SecureMosquitto {
	t.Helper()
	own := t.TempDir()
	m := &SecureMosquitto{Mosquitto: &Mosquitto{t: t, binary: peertest.Find(t, "mosquitto"), addr: freeAddress(t)}, coordinators: freeAddress(t)}
	listener := func(address string) string {
		host, port, _ := net.SplitHostPort(address)
		return fmt.Sprintf("listener %s %s", port, host)
	}
	change := strings.NewReplacer(
		"listener 8883", listener(m.addr), "listener 8884", listener(m.coordinators), "tern-valley", network,
		"/etc/mosquitto/lamplighter/access", filepath.Join(own, "access"), "/etc/mosquitto/lamplighter", files,
	)
	for _, name := range []string{"mosquitto.conf", "access", "access-coordinators"} {
		shipped, err := os.ReadFile(filepath.Join(deploy, name))
		if err != nil {
			t.Fatal(err)
		}
		text := change.Replace(string(shipped))
		if name == "mosquitto.conf" {
			text += "\nlog_dest stderr\n"
			if os.Getuid() == 0 {
				text += "user root\n" // another user could not read the files
			}
		}
		if err := os.WriteFile(filepath.Join(own, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	m.config = filepath.Join(own, "mosquitto.conf")
	t.Cleanup(m.Kill)
	return m
}
