package broker

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/broker/brokertest"
	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/devices/registrar"
	"lamplighter/proto/enrolment"
	"lamplighter/proto/topic"
)

var (
	harbour = topic.Address{Network: network, Beacon: "harbour-hf"}
	foreign = topic.Address{Network: "other-valley", Beacon: "mill-hf"}
)

// office is an authority with its devices, in memory.
type office struct {
	t         *testing.T
	authority devices.Authority
	mu        sync.Mutex
	present   devices.Network
	change    []func()
	refused   chan devices.Reason
	server    tls.Certificate
}

func newOffice(t *testing.T) *office {
	t.Helper()
	authority, err := devices.NewAuthority(rand.Reader, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	o := &office{t: t, authority: authority, refused: make(chan devices.Reason, 100)}
	o.present = devices.Network{ID: network, Authorities: []devices.Authority{authority}, Records: devices.Records{}}
	key, certificate := o.pair(func(key *ecdsa.PublicKey) (*x509.Certificate, error) {
		return authority.Server(rand.Reader, key, []string{enrolment.ServerName}, time.Now())
	})
	o.server = tls.Certificate{Certificate: [][]byte{certificate.Raw}, PrivateKey: key, Leaf: certificate}
	return o
}

func (o *office) pair(sign func(*ecdsa.PublicKey) (*x509.Certificate, error)) (*ecdsa.PrivateKey, *x509.Certificate) {
	o.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		o.t.Fatal(err)
	}
	certificate, err := sign(&key.PublicKey)
	if err != nil {
		o.t.Fatal(err)
	}
	return key, certificate
}

// device certifies a new device at a time, and enters it in the books.
func (o *office) device(by devices.Authority, at topic.Address, when time.Time) tls.Certificate {
	o.t.Helper()
	key, certificate := o.pair(func(key *ecdsa.PublicKey) (*x509.Certificate, error) {
		return by.Device(rand.Reader, key, at.Network, at.Beacon, when)
	})
	o.mu.Lock()
	defer o.mu.Unlock()
	o.present.Records[devices.SerialOf(certificate)] = devices.Record{Certificate: certificate, Beacon: at.Beacon}
	return tls.Certificate{Certificate: [][]byte{certificate.Raw}, PrivateKey: key, Leaf: certificate}
}

// revoke revokes a device and tells everybody.
func (o *office) revoke(c tls.Certificate) {
	o.mu.Lock()
	serial := devices.SerialOf(c.Leaf)
	record := o.present.Records[serial]
	record.Revoked = time.Now()
	o.present.Records[serial] = record
	change := o.change
	o.mu.Unlock()
	for _, call := range change {
		call()
	}
}

func (o *office) Admit(shown *x509.Certificate) (string, devices.Reason) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.present.Judge(shown, time.Now())
}

func (o *office) Refused(_ *x509.Certificate, reason devices.Reason, _ string) { o.refused <- reason }

func (o *office) OnChange(call func()) { o.change = append(o.change, call) }

func (o *office) DeviceTLS() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{o.server}, ClientAuth: tls.RequireAnyClientCert, SessionTicketsDisabled: true,
		VerifyConnection: func(state tls.ConnectionState) error {
			if _, reason := o.Admit(state.PeerCertificates[0]); reason != devices.Accepted {
				return registrar.Unaccepted{Reason: reason, Shown: state.PeerCertificates[0]}
			}
			return nil
		},
	}
}

// speak is how a device speaks; with no certificate it is nobody.
func (o *office) speak(certificate *tls.Certificate) *tls.Config {
	roots := x509.NewCertPool()
	roots.AddCert(o.authority.Certificate)
	config := &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots, ServerName: enrolment.ServerName}
	if certificate != nil {
		config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return certificate, nil }
	}
	return config
}

// place is a broker that asks for certificates, and where it is reached.
type place struct {
	office  *office
	agents  string // URL
	broker  Broker
	metrics *prometheus.Registry // nil: not ours
}

// securePlaces are every way for a device to a broker.
var securePlaces = map[string]func(t *testing.T) place{
	"embedded": func(t *testing.T) place {
		o, metrics := newOffice(t), prometheus.NewRegistry()
		b, err := NewEmbedded(EmbeddedOptions{Network: network, Listen: "127.0.0.1:0", Devices: o, Log: silent(), Metrics: metrics})
		if err != nil {
			t.Fatal(err)
		}
		started(t, b)
		return place{o, "ssl://" + b.Addr(), b, metrics}
	},
	"embedded, WebSocket": func(t *testing.T) place {
		o, metrics := newOffice(t), prometheus.NewRegistry()
		b, err := NewEmbedded(EmbeddedOptions{Network: network, Listen: "127.0.0.1:0", Devices: o, Log: silent(), Metrics: metrics})
		if err != nil {
			t.Fatal(err)
		}
		started(t, b)
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		mux := http.NewServeMux()
		mux.Handle(enrolment.MQTTPath, b.(*embedded).WebSocket())
		web := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second}
		ended := make(chan error, 1)
		config := o.DeviceTLS()
		config.VerifyConnection, config.ClientAuth = nil, tls.RequestClientCert
		go func() { ended <- web.Serve(tls.NewListener(listener, config)) }()
		t.Cleanup(func() {
			_ = web.Close()
			if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
				t.Error(err)
			}
		})
		return place{o, "wss://" + listener.Addr().String() + enrolment.MQTTPath, b, metrics}
	},
	"mosquitto": func(t *testing.T) place {
		o := newOffice(t)
		files := t.TempDir()
		o.files(files)
		m := brokertest.StartSecureMosquitto(t, "../../deploy/mosquitto", network, files)
		o.OnChange(func() { // what the unit beside the configuration does
			o.files(files)
			m.Kill()
			m.Start()
		})
		key, certificate := o.pair(func(key *ecdsa.PublicKey) (*x509.Certificate, error) {
			return o.authority.Client(rand.Reader, key, time.Now())
		})
		own := tls.Certificate{Certificate: [][]byte{certificate.Raw}, PrivateKey: key}
		b, err := NewExternal(ExternalOptions{
			Network: network, URL: m.CoordinatorURL(), ClientID: "coordinator-1", Log: silent(), Metrics: prometheus.NewRegistry(),
			TLS: func() *tls.Config { return o.speak(&own) },
		})
		if err != nil {
			t.Fatal(err)
		}
		b.(*external).pause = func(int) time.Duration { return 10 * time.Millisecond }
		started(t, b)
		return place{o, m.AgentURL(), b, nil}
	},
}

// files writes what a broker outside needs.
func (o *office) files(folder string) {
	o.t.Helper()
	o.mu.Lock()
	defer o.mu.Unlock()
	var records []devices.Record
	for _, r := range o.present.Records {
		records = append(records, r)
	}
	list, err := o.authority.Revocations(rand.Reader, records, time.Now())
	if err != nil {
		o.t.Fatal(err)
	}
	key, err := x509.MarshalPKCS8PrivateKey(o.server.PrivateKey)
	if err != nil {
		o.t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{
		"authorities.pem": {Type: "CERTIFICATE", Bytes: o.authority.Certificate.Raw}, "revoked.pem": {Type: "X509 CRL", Bytes: list},
		"server.pem": {Type: "CERTIFICATE", Bytes: o.server.Certificate[0]}, "server.key": {Type: "PRIVATE KEY", Bytes: key},
	} {
		if err := os.WriteFile(filepath.Join(folder, name), pem.EncodeToMemory(block), 0o600); err != nil {
			o.t.Fatal(err)
		}
	}
}

func (p place) connect(t *testing.T, id string, certificate *tls.Certificate) (paho.Client, <-chan paho.Message, error) {
	t.Helper()
	heard := make(chan paho.Message, 100)
	o := paho.NewClientOptions().AddBroker(p.agents).SetClientID(id).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetProtocolVersion(4).SetConnectTimeout(10 * time.Second).SetTLSConfig(p.office.speak(certificate)).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { heard <- m })
	c := paho.NewClient(o)
	err := done(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(50) })
	return c, heard, err
}

func everyPlace(t *testing.T, test func(t *testing.T, p place)) {
	for name, make := range securePlaces {
		t.Run(name, func(t *testing.T) { test(t, make(t)) })
	}
}

// Who is let in at all.
func TestOnlyADeviceThatCountsComesIn(t *testing.T) {
	everyPlace(t, func(t *testing.T, p place) {
		o := p.office
		agent := o.device(o.authority, mill, time.Now())
		revoked := o.device(o.authority, mill, time.Now())
		o.revoke(revoked)
		over := o.device(o.authority, mill, time.Now().Add(-devices.DeviceLife-time.Hour))
		stranger, err := devices.NewAuthority(rand.Reader, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		forged := o.device(stranger, mill, time.Now())
		for name, c := range map[string]struct {
			certificate *tls.Certificate
			in          bool
		}{
			"nobody": {nil, false}, "the agent": {&agent, true}, "a revoked agent": {&revoked, false},
			"an agent whose certificate is over": {&over, false}, "a certificate of another authority": {&forged, false},
			"the server's own certificate": {&o.server, false},
		} {
			if _, _, err := p.connect(t, mill.ClientID(), c.certificate); (err == nil) != c.in {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}

// Every kind of topic, of three beacons, read and written by an agent: its own
// and no other.
func TestAnAgentUsesItsOwnTopicsOnly(t *testing.T) {
	everyPlace(t, func(t *testing.T, p place) {
		certificate := p.office.device(p.office.authority, mill, time.Now())
		for _, at := range []topic.Address{mill, harbour, foreign} {
			for _, kind := range topic.Kinds() {
				name := at.Topic(kind)
				own := at == mill
				agent, heard, err := p.connect(t, mill.ClientID(), &certificate)
				if err != nil {
					t.Fatal(err)
				}
				if want := own && kind.Down(); p.reads(t, agent, heard, at, kind) != want {
					t.Errorf("reading %s: want %v", name, want)
				}
				agent.Disconnect(10)
				if agent, _, err = p.connect(t, mill.ClientID(), &certificate); err != nil {
					t.Fatal(err)
				}
				p.checkWrite(t, agent, name, own && !kind.Down())
				agent.Disconnect(10)
			}
		}
	})
}

// reads says whether an agent can read a topic. A broker may grant what it then
// does not deliver: what counts is what arrives before a message for the agent.
func (p place) reads(t *testing.T, agent paho.Client, heard <-chan paho.Message, at topic.Address, kind topic.Kind) bool {
	t.Helper()
	name, mark := at.Topic(kind), mill.Topic(topic.Receipts)
	token := agent.Subscribe(name, 1, nil)
	if done(t, token) != nil || granted(token.(*paho.SubscribeToken).Result(), map[string]byte{name: 1}) != nil {
		return false
	}
	if err := done(t, agent.Subscribe(mark, 1, nil)); err != nil {
		t.Fatal(err)
	}
	switch {
	case kind.Down():
		if err := p.broker.Publish(t.Context(), Message{Topic: name, Payload: []byte("is it heard?")}); err != nil {
			t.Fatal(err)
		}
	case p.metrics != nil:
		t.Fatalf("the embedded broker grants %s", name)
	default: // Mosquitto: whoever may write there does
		own := p.office.device(p.office.authority, harbour, time.Now())
		other := agent
		if at == harbour {
			var err error
			if other, _, err = p.connect(t, harbour.ClientID(), &own); err != nil {
				t.Fatal(err)
			}
			defer other.Disconnect(10)
		}
		if err := done(t, other.Publish(name, 1, false, "is it heard?")); err != nil {
			t.Fatal(err)
		}
	}
	if err := p.broker.Publish(t.Context(), Message{Topic: mark, Payload: []byte("mark")}); err != nil {
		t.Fatal(err)
	}
	got := false
	for {
		m := receive(t, heard)
		if string(m.Payload()) == "mark" {
			return got
		}
		got = got || m.Topic() == name
	}
}

// checkWrite checks whether what an agent writes comes to the coordinator: where
// it must not, before what the agent may write, twice.
func (p place) checkWrite(t *testing.T, agent paho.Client, name string, want bool) {
	t.Helper()
	agent.Publish(name, 0, false, "is it taken?")
	for i := 0; i < 2 && !want; i++ {
		agent.Publish(mill.Topic(topic.Health), 0, false, "mark")
		for marked := false; !marked; {
			d := receive(t, p.broker.Deliveries())
			d.Done()
			marked = string(d.Payload) == "mark"
			if string(d.Payload) == "is it taken?" {
				t.Errorf("%s was taken", name)
			}
		}
	}
	for want {
		d := receive(t, p.broker.Deliveries())
		d.Done()
		want = d.Topic != name || string(d.Payload) != "is it taken?"
	}
}

// A certificate speaks for one beacon, whatever client id is claimed.
func TestAnAgentCannotTakeAnothersPlace(t *testing.T) {
	everyPlace(t, func(t *testing.T, p place) {
		victim, thief := p.office.device(p.office.authority, mill, time.Now()), p.office.device(p.office.authority, harbour, time.Now())
		a, heard, err := p.connect(t, mill.ClientID(), &victim)
		if err != nil {
			t.Fatal(err)
		}
		if err := done(t, a.Subscribe(mill.Topic(topic.Lease), 1, nil)); err != nil {
			t.Fatal(err)
		}
		for _, id := range []string{mill.ClientID(), mill.Beacon, "coordinator-1"} {
			b, _, err := p.connect(t, id, &thief)
			if p.metrics != nil && err == nil {
				t.Errorf("the embedded broker let the certificate of %s in as %s", harbour.Beacon, id)
			}
			b.Disconnect(10)
		}
		if err := p.broker.Publish(t.Context(), Message{Topic: mill.Topic(topic.Lease), Payload: []byte("still there?")}); err != nil {
			t.Fatal(err)
		}
		if m := receive(t, heard); string(m.Payload()) != "still there?" {
			t.Errorf("heard %q", m.Payload())
		}
	})
}

// A revocation ends the connection, and the way back.
func TestARevokedDeviceIsThrownOut(t *testing.T) {
	everyPlace(t, func(t *testing.T, p place) {
		certificate := p.office.device(p.office.authority, mill, time.Now())
		lost := make(chan struct{}, 1)
		o := paho.NewClientOptions().AddBroker(p.agents).SetClientID(mill.ClientID()).SetAutoReconnect(false).SetProtocolVersion(4).
			SetTLSConfig(p.office.speak(&certificate)).SetConnectionLostHandler(func(paho.Client, error) { lost <- struct{}{} })
		agent := paho.NewClient(o)
		if err := done(t, agent.Connect()); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { agent.Disconnect(10) })
		p.office.revoke(certificate)
		receive(t, lost)
		if _, _, err := p.connect(t, mill.ClientID(), &certificate); err == nil {
			t.Error("it came back")
		}
	})
}

// What is refused is counted, and why.
func TestRefusalsOfDevicesAreCounted(t *testing.T) {
	p := securePlaces["embedded"](t)
	certificate := p.office.device(p.office.authority, harbour, time.Now())
	if _, _, err := p.connect(t, mill.ClientID(), &certificate); err == nil {
		t.Fatal("another's id was let in")
	}
	if got := countOf(t, p.metrics, "lamplighter_broker_refusals_total", string(ForeignName)); got != 1 {
		t.Errorf("%v refusals are counted, want 1", got)
	}
	p.office.revoke(certificate)
	if _, _, err := p.connect(t, harbour.ClientID(), &certificate); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("a revoked device is not told that it is its certificate: %v", err)
	}
	if reason := receive(t, p.office.refused); reason != devices.Revoked {
		t.Errorf("noted as %s", reason)
	}
}

// countOf is a counter's value, by its only label.
func countOf(t *testing.T, registry *prometheus.Registry, name, label string) float64 {
	t.Helper()
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, family := range families {
		for _, m := range family.GetMetric() {
			if family.GetName() == name && m.GetLabel()[0].GetValue() == label {
				return m.GetCounter().GetValue()
			}
		}
	}
	t.Fatalf("no metric %s for %s", name, label)
	return 0
}
