package broker

import (
	"bufio"
	"fmt"
	"net"
	"net/url"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/proto/topic"
)

func TestOnlyLoopbackIsListenedOn(t *testing.T) {
	for address, right := range map[string]bool{
		"127.0.0.1:0": true, "localhost:1883": true, "[::1]:1883": true, "127.8.8.8:1883": true,
		"0.0.0.0:1883": false, ":1883": false, "[::]:1883": false, "192.0.2.7:1883": false,
		"beacon.example:1883": false, "127.0.0.1": false, "": false,
	} {
		_, err := NewEmbedded(EmbeddedOptions{Network: network, Listen: address, Log: silent(), Metrics: prometheus.NewRegistry()})
		if (err == nil) != right {
			t.Errorf("%q: %v", address, err)
		}
		if err != nil && !strings.Contains(err.Error(), "write ") {
			t.Errorf("%q: %q does not say what to write", address, err)
		}
	}
}

func TestAPortInUseIsSaidInASentence(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	b, err := NewEmbedded(EmbeddedOptions{Network: network, Listen: taken.Addr().String(), Log: silent(), Metrics: prometheus.NewRegistry()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	if err := b.Start(t.Context()); err == nil || !strings.Contains(err.Error(), "is another program there?") {
		t.Errorf("got %v", err)
	}
}

// Who comes while the coordinator is not up yet waits for its answer, and is not
// refused.
func TestWhoCameBeforeTheStartIsAnswered(t *testing.T) {
	early, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b, err := NewEmbedded(EmbeddedOptions{Network: network, Listen: early.Addr().String(), Listening: early, Log: silent(), Metrics: prometheus.NewRegistry()})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := net.Dial("tcp", early.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	came := paho.NewClient(options(early.Addr().String(), topic.Address{Network: network, Beacon: "harbour-hf"}.ClientID()).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return conn, nil }))
	connecting := came.Connect()
	started(t, b)
	if err := done(t, connecting); err != nil {
		t.Error(err)
	}
	came.Disconnect(0)
	b.Stop()
	if conn, err := net.Dial("tcp", early.Addr().String()); err == nil {
		_ = conn.Close()
		t.Error("the broker has stopped, and something still listens")
	}
}

// The library's own way of ending connections can wait for ever.
func TestTheEndOfAListenerIsNotTheLibrarysAffair(t *testing.T) {
	b, ok := brokers["embedded"](t).(*embedded)
	if !ok {
		t.Fatal("another broker")
	}
	started(t, b)
	for _, id := range []string{"agents", b.web.ID()} {
		listener, ok := b.server.Listeners.Get(id)
		if !ok {
			t.Fatalf("no listener %s", id)
		}
		listener.Close(func(string) { t.Errorf("the library is to end what came by %s", id) })
		b.server.Listeners.Delete(id)
	}
}

func TestWhoMayConnect(t *testing.T) {
	right := func() packets.Packet {
		p := packets.Packet{}
		p.Connect.Clean, p.Connect.Keepalive = true, 30
		return p
	}
	g := &gate{network: network}
	for name, c := range map[string]struct {
		id     string
		change func(*packets.Packet)
		want   Refusal
	}{
		"an agent":        {mill.ClientID(), func(*packets.Packet) {}, ""},
		"its own will":    {mill.ClientID(), will(mill.Topic(topic.Presence)), ""},
		"another's will":  {mill.ClientID(), will(topic.Address{Network: network, Beacon: "other"}.Topic(topic.Presence)), ForeignWill},
		"will as records": {mill.ClientID(), will(mill.Topic(topic.Records)), ForeignWill},
		"another network": {"elsewhere/mill-hf", func(*packets.Packet) {}, NotAnAgent},
		"no network":      {"mill-hf", func(*packets.Packet) {}, NotAnAgent},
		"no id":           {"", func(*packets.Packet) {}, NotAnAgent},
		"wildcard":        {network + "/+", func(*packets.Packet) {}, NotAnAgent},
		"too deep":        {network + "/mill-hf/x", func(*packets.Packet) {}, NotAnAgent},
		"lasting":         {mill.ClientID(), func(p *packets.Packet) { p.Connect.Clean = false }, LastingSession},
		"lasting, 5":      {mill.ClientID(), func(p *packets.Packet) { p.Properties.SessionExpiryInterval = 1 }, LastingSession},
		"no keep-alive":   {mill.ClientID(), func(p *packets.Packet) { p.Connect.Keepalive = 0 }, NoKeepAlive},
		"slow keep-alive": {mill.ClientID(), func(p *packets.Packet) { p.Connect.Keepalive = 301 }, NoKeepAlive},
	} {
		t.Run(name, func(t *testing.T) {
			p := right()
			c.change(&p)
			got, ok := g.connect(c.id, p)
			if got != c.want || ok != (c.want == "") {
				t.Errorf("got %q, %v; want %q", got, ok, c.want)
			}
		})
	}
}

func will(name string) func(*packets.Packet) {
	return func(p *packets.Packet) { p.Connect.WillFlag, p.Connect.WillTopic = true, name }
}

func TestWhoMayReadAndWriteWhat(t *testing.T) {
	other := topic.Address{Network: network, Beacon: "other"}
	for _, kind := range topic.Kinds() {
		for _, write := range []bool{true, false} {
			if _, ok := mayUse(mill.ClientID(), mill.Topic(kind), write); ok != (write != kind.Down()) {
				t.Errorf("own %s, write %v: %v", kind, write, ok)
			}
			if _, ok := mayUse(mill.ClientID(), other.Topic(kind), write); ok {
				t.Errorf("another's %s, write %v: allowed", kind, write)
			}
		}
	}
	for _, filter := range []string{"#", "+", "$SYS/#", topic.Every(network, topic.Orders), mill.Topic("down/#"), mill.Topic("down/+"), ""} {
		if reason, ok := mayUse(mill.ClientID(), filter, false); ok || reason != ForeignRead {
			t.Errorf("reading %q: %q, %v", filter, reason, ok)
		}
	}
}

func TestRefusalsAreCountedOverTheWire(t *testing.T) {
	registry := prometheus.NewRegistry()
	b, err := NewEmbedded(EmbeddedOptions{Network: network, Listen: "127.0.0.1:0", Log: silent(), Metrics: registry})
	if err != nil {
		t.Fatal(err)
	}
	started(t, b)
	stranger := paho.NewClient(options(b.Addr(), "stranger"))
	if err := done(t, stranger.Connect()); err == nil {
		t.Error("a stranger was let in")
	}
	reader := connect(t, b.Addr(), mill, nil)
	token := reader.Subscribe("#", 1, nil)
	if err := done(t, token); err != nil {
		t.Fatal(err)
	}
	if granted(token.(*paho.SubscribeToken).Result(), map[string]byte{"#": 1}) == nil {
		t.Error("everything may be read")
	}
	for name, publish := range map[string]struct {
		topic   string
		quality byte
	}{
		"write": {topic.Address{Network: network, Beacon: "other"}.Topic(topic.Records), 1},
		"qos":   {mill.Topic(topic.Records), 2},
	} {
		lost := make(chan struct{}, 1)
		who := topic.Address{Network: network, Beacon: name}
		if name == "qos" {
			who = topic.Address{Network: network, Beacon: "qos2"}
			publish.topic = who.Topic(topic.Records)
		}
		a := connect(t, b.Addr(), who, func(o *paho.ClientOptions) {
			o.SetConnectionLostHandler(func(paho.Client, error) { lost <- struct{}{} })
		})
		a.Publish(publish.topic, publish.quality, false, []byte("x"))
		receive(t, lost)
	}
	b.Stop()
	if d, ok := <-b.Deliveries(); ok {
		t.Errorf("delivered %+v", d)
	}
	for reason, want := range map[Refusal]float64{NotAnAgent: 1, ForeignRead: 1, ForeignWrite: 1, HandshakeTooFar: 1, LastingSession: 0} {
		if got := counted(t, registry, reason); got != want {
			t.Errorf("%s was counted %v times, want %v", reason, got, want)
		}
	}
}

func counted(t *testing.T, registry *prometheus.Registry, reason Refusal) float64 {
	t.Helper()
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, family := range families {
		for _, metric := range family.GetMetric() {
			if family.GetName() == "lamplighter_broker_refusals_total" && metric.GetLabel()[0].GetValue() == string(reason) {
				return metric.GetCounter().GetValue()
			}
		}
	}
	t.Fatalf("no counter for %s", reason)
	return 0
}

// A client that talks and never listens is cut off by the deadline of a write,
// and holds up nobody meanwhile.
func TestAnAgentThatReadsNothingHoldsUpNobodyElse(t *testing.T) {
	b := brokers["embedded"](t)
	started(t, b)
	deaf, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = deaf.Close() })
	who := topic.Address{Network: network, Beacon: "deaf"}
	fmt.Fprintf(deaf, "\x10%c\x00\x04MQTT\x04\x02\x00\x1e\x00%c%s", 12+len(who.ClientID()), len(who.ClientID()), who.ClientID())
	if code, err := bufio.NewReader(deaf).Peek(4); err != nil || code[3] != 0 {
		t.Fatalf("answer %x, %v", code, err)
	}
	filter := who.Topic(topic.Receipts)
	fmt.Fprintf(deaf, "\x82%c\x00\x01\x00%c%s\x01", 5+len(filter), len(filter), filter)
	name := who.Topic(topic.Health)
	fmt.Fprintf(deaf, "\x32%c\x00%c%s\x00\x07", 4+len(name), len(name), name)
	said := receive(t, b.Deliveries()) // by one that is subscribed by now
	for range 40 {                     // much more than the sockets hold
		if err := b.Publish(t.Context(), Message{Topic: filter, Payload: make([]byte, 1<<20)}); err != nil {
			t.Fatal(err)
		}
	}
	said.Done() // its acknowledgement can't be written
	a := connect(t, b.Addr(), mill, nil)
	began := time.Now()
	token := a.Publish(mill.Topic(topic.Health), 1, false, []byte("well"))
	receive(t, b.Deliveries()).Done()
	if err := done(t, token); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took > patience/2 {
		t.Errorf("another agent waited %v", took)
	}
}
