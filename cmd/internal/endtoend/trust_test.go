package endtoend

import (
	"crypto/tls"
	"crypto/x509"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lamplighter/agent/enrol"
	"lamplighter/coordinator/broker/brokertest"
	"lamplighter/proto/enrolment"
	"lamplighter/proto/setup"
)

// secureNetwork is a coordinator whose every connection is encrypted.
type secureNetwork struct {
	*network
	devices string // HOST:PORT where devices are enrolled
}

// newSecureNetwork starts one, with a broker of the kind. Its beacons have no
// devices yet.
func newSecureNetwork(t *testing.T, brokerKind string) *secureNetwork {
	t.Helper()
	s := &secureNetwork{network: bareNetwork(t), devices: freeAddress(t)}
	dir := filepath.Join(s.folder, "coordinator")
	args := []string{
		"serve", "--open-on-loopback", "--tls", "--dir", dir, "--database", s.database, "--grpc", s.grpc, "--http", s.http, "--devices", s.devices,
		"--fleet", write(t, s.folder, "fleet.yaml", fleetText(slotSeconds)),
	}
	if brokerKind == "mosquitto" {
		// The files that a broker needs are there before it runs: whoever sets it
		// up starts the coordinator first, which waits for it.
		m := mosquittoOf(t, filepath.Join(dir, "broker"), func(coordinators, agents string) {
			s.coordinator = start(t, "coordinator", lamplighter, append(args, "--broker", coordinators, "--agents-broker", agents)...)
			s.coordinator.waitFor(`whom the broker is to let in`)
		})
		s.mosquitto = m.Mosquitto
	} else {
		s.coordinator = start(t, "coordinator", lamplighter, append(args, "--mqtt", s.mqtt)...)
	}
	s.coordinator.waitFor(`the coordinator is up`)
	return s
}

func mosquittoOf(t *testing.T, files string, before func(coordinators, agents string)) *brokertest.SecureMosquitto {
	t.Helper()
	m := brokertest.NewSecureMosquitto(t, "../../../deploy/mosquitto", "trial", files)
	before(m.CoordinatorURL(), m.AgentURL())
	m.Start()
	return m
}

// speak names the coordinator and whom to trust to a command.
func (s *secureNetwork) speak(args ...string) []string {
	return append(args, "--server", s.grpc, "--authority", filepath.Join(s.folder, "coordinator", "authorities.pem"))
}

// enrol enrols a device as a person does, with two keyboards.
func (s *secureNetwork) enrol(beacon string, more ...string) result {
	s.t.Helper()
	token := must(s.t, lamplighter, s.speak(append([]string{"enrol", beacon}, more...)...)...)
	r := s.typeToken(beacon, token)
	if strings.Contains(s.coordinator.said.String(), strings.TrimSpace(token)) || strings.Contains(r.stderr, strings.TrimSpace(token)) {
		s.t.Error("the token stands in a log")
	}
	return r
}

func (s *secureNetwork) typeToken(beacon, token string) result {
	s.t.Helper()
	cmd := exec.CommandContext(s.t.Context(), lamplighterAgent, "enrol", "--coordinator", s.devices, "--config", s.config(beacon), "--folder", s.identity(beacon))
	cmd.Stdin = strings.NewReader(token)
	out, err := cmd.CombinedOutput()
	if err != nil && cmd.ProcessState == nil {
		s.t.Fatal(err)
	}
	return result{exit: cmd.ProcessState.ExitCode(), stderr: string(out)}
}

func (s *secureNetwork) identity(beacon string) string {
	return filepath.Join(s.folder, beacon+".identity")
}

// run starts an enrolled agent; change may change its configuration before.
func (s *secureNetwork) run(beacon string, change func(*setup.File)) {
	s.t.Helper()
	file := s.given(beacon)
	if change != nil {
		change(file)
	}
	text, err := file.Encode()
	if err != nil {
		s.t.Fatal(err)
	}
	write(s.t, s.folder, beacon+".yaml", string(text))
	s.startAgent(beacon)
}

// given is the configuration that an enrolled device was given, with the folders
// of this test.
func (s *secureNetwork) given(beacon string) *setup.File {
	s.t.Helper()
	text, err := os.ReadFile(s.config(beacon))
	if err != nil {
		s.t.Fatal(err)
	}
	file, err := setup.Decode(beacon, text)
	if err != nil {
		s.t.Fatal(err)
	}
	file.Folder, file.HealthSeconds, file.Transmitter.Log = s.home(beacon), 1, s.tones(beacon)
	return file
}

// Over certificates from the first byte: a token is carried to the beacon, the
// agent comes on the air, is revoked, and gets nothing more.
func TestAFleetOverCertificates(t *testing.T) {
	t.Parallel()
	for _, kind := range brokerKinds {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			s := newSecureNetwork(t, kind)
			for _, beacon := range []string{"mill-a", "harbour-a"} {
				if r := s.enrol(beacon); r.exit != 0 {
					t.Fatalf("%s: %s", beacon, r.stderr)
				}
			}
			s.run("mill-a", nil)
			s.run("harbour-a", func(f *setup.File) {
				if kind == "embedded" { // for whom a firewall lets through nothing else
					f.Broker = "wss://" + s.devices + enrolment.MQTTPath
				}
			})
			s.checkReceiver()
			for _, beacon := range []string{"mill-a", "harbour-a"} {
				eventually(t, beacon+" on the air", func() bool {
					return s.count("select count(*) from outcomes where beacon = $1 and kind = 'sent'", beacon) > 0
				})
			}
			must(t, lamplighter, s.speak("revoke", "mill-a", "--reason", "stolen")...)
			if s.mosquitto != nil {
				s.mosquitto.Kill() // as the unit beside its configuration does
				s.mosquitto.Start()
			}
			s.agents["mill-a"].waitFor(`no link to the broker.*certificate`)
			before := s.count("select count(*) from records where beacon = 'harbour-a'")
			eventually(t, "the other beacon is heard as before", func() bool {
				return s.count("select count(*) from records where beacon = 'harbour-a'") > before
			})
		})
	}
}

// A token lets one device in and no second; a device that is in stays alone; the
// key never leaves the device, and nobody else may read it.
func TestATokenCountsOnce(t *testing.T) {
	t.Parallel()
	s := newSecureNetwork(t, "embedded")
	token := must(t, lamplighter, s.speak("enrol", "mill-a")...)
	if r := s.typeToken("mill-a", token); r.exit != 0 {
		t.Fatal(r.stderr)
	}
	for _, file := range []string{"key.pem", "certificate.pem", "authorities.pem"} {
		info, err := os.Stat(filepath.Join(s.identity("mill-a"), file))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", file, info, err)
		}
	}
	if r := s.typeToken("second", token); r.exit != 1 || !strings.Contains(r.stderr, "does not count") {
		t.Errorf("a token was taken twice: exit %d, %s", r.exit, r.stderr)
	}
	if r := command(t, lamplighter, s.speak("enrol", "mill-a")...); r.exit != 1 || !strings.Contains(r.stderr, "--replace") {
		t.Errorf("a second device without leave: exit %d, %s", r.exit, r.stderr)
	}
	former := os.Rename(s.config("mill-a"), s.config("former"))
	if former == nil {
		former = os.Rename(s.identity("mill-a"), s.identity("former"))
	}
	if former != nil {
		t.Fatal(former)
	}
	if r := s.enrol("mill-a", "--replace"); r.exit != 0 {
		t.Fatal(r.stderr)
	}
	if s.reaches(t, s.identity("former")) || !s.reaches(t, s.identity("mill-a")) {
		t.Error("the device that was replaced still counts, or the other does not")
	}
	if err := os.Chmod(filepath.Join(s.identity("mill-a"), "key.pem"), 0o640); err != nil { //nolint:gosec // that is the test
		t.Fatal(err)
	}
	if r := command(t, lamplighterAgent, "run", "--config", s.config("mill-a")); r.exit != 1 || !strings.Contains(r.stderr, "chmod 600") {
		t.Errorf("a key that others can read: exit %d, %s", r.exit, r.stderr)
	}
	if _, err := tls.Dial("tcp", s.mqtt, &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: x509.NewCertPool()}); err == nil {
		t.Error("a stranger trusts the broker")
	}
}

// reaches says whether a device is let in by the broker.
func (s *secureNetwork) reaches(t *testing.T, folder string) bool {
	t.Helper()
	config, err := enrol.At(folder).TLS()
	if err != nil {
		t.Fatal(err)
	}
	conn, err := tls.Dial("tcp", s.mqtt, config)
	if err != nil {
		return false
	}
	defer func() { _ = conn.Close() }()
	// A CONNECT of MQTT 3.1.1 with clean session, 60 s keep-alive and the client id
	// (section 3.1); the answer is a CONNACK with code 0 (section 3.2).
	const id = "trial/mill-a"
	packet := append([]byte{0x10, byte(12 + len(id)), 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 60, 0, byte(len(id))}, id...)
	if _, err := conn.Write(packet); err != nil {
		return false
	}
	answer := make([]byte, 4)
	n, err := conn.Read(answer)
	return err == nil && n == 4 && answer[0] == 0x20 && answer[3] == 0
}

// A receiver of the club's own is let in like a beacon, and brings its reports by
// MQTT: those of its own call sign, each once.
func (s *secureNetwork) checkReceiver() {
	s.t.Helper()
	if r := s.enrol("club-rx"); r.exit != 0 {
		s.t.Fatalf("club-rx: %s", r.stderr)
	}
	at := time.Now().UTC().Add(-time.Minute).Format(time.RFC3339)
	file := write(s.t, s.folder, "heard.csv", strings.Join([]string{
		"time,callsign,frequency_hz,snr_db,drift_hz,receiver,receiver_locator",
		at + ",Q1AAA,7040100,-21,0,Q9RX,IP62oa",
		at + ",Q1AAA,7040100,-20,0,Q9OTHER,IP62ob", // not its own
		"",
	}, "\n"))
	for range 2 { // the second time they are known
		must(s.t, lamplighterAgent, "receptions", "--config", s.config("club-rx"), file)
	}
	eventually(s.t, "the receiver's report in the tables", func() bool {
		return s.count("select count(*) from receptions where receiver = 'Q9RX' and source = 'mqtt'") == 1
	})
	eventually(s.t, "the second time told", func() bool {
		return strings.Contains(s.coordinator.said.String(), "receiver=club-rx matched=0 unmatched=0 known=1 refused=1")
	})
	if n := s.count("select count(*) from receptions"); n != 1 {
		s.t.Errorf("%d reports are in the tables", n)
	}
}
