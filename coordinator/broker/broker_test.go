package broker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/goleak"

	"lamplighter/coordinator/broker/brokertest"
	"lamplighter/proto/topic"
)

const network = "tern-valley"

var mill = topic.Address{Network: network, Beacon: "mill-hf"}

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// brokers are the two ways; every test of the suite runs on both.
var brokers = map[string]func(t *testing.T) Broker{
	"embedded": func(t *testing.T) Broker {
		b, err := NewEmbedded(EmbeddedOptions{Network: network, Listen: "127.0.0.1:0", Log: silent(), Metrics: prometheus.NewRegistry()})
		if err != nil {
			t.Fatal(err)
		}
		return b
	},
	"mosquitto": func(t *testing.T) Broker {
		return client(t, brokertest.StartMosquitto(t).URL())
	},
}

func client(t *testing.T, url string) Broker {
	t.Helper()
	b, err := NewExternal(ExternalOptions{Network: network, URL: url, ClientID: "coordinator-" + rand.Text(), Log: silent(), Metrics: prometheus.NewRegistry()})
	if err != nil {
		t.Fatal(err)
	}
	b.(*external).pause = func(int) time.Duration { return 10 * time.Millisecond }
	return b
}

func silent() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// started starts a broker, waits until it is connected and stops it with the
// test. The channel tells of every further connect.
func started(t *testing.T, b Broker) <-chan struct{} {
	t.Helper()
	connects := make(chan struct{}, 10)
	b.OnConnect(func() { connects <- struct{}{} })
	if err := b.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	receive(t, connects)
	return connects
}

func receive[T any](t *testing.T, from <-chan T) (value T) {
	t.Helper()
	select {
	case value = <-from:
	case <-time.After(20 * time.Second):
		t.Fatal("nothing came within 20 s")
	}
	return value
}

func done(t *testing.T, token paho.Token) error {
	t.Helper()
	receive(t, token.Done())
	return token.Error()
}

// agent is an ordinary client.
type agent struct {
	paho.Client
	heard chan paho.Message
	conn  *cut
}

func options(addr, id string) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetOrderMatters(false).SetProtocolVersion(4).SetConnectTimeout(5 * time.Second)
}

func connect(t *testing.T, addr string, who topic.Address, change func(*paho.ClientOptions)) *agent {
	t.Helper()
	a := &agent{heard: make(chan paho.Message, 100), conn: &cut{}}
	o := options(addr, who.ClientID()).SetCustomOpenConnectionFn(a.conn.dial)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { a.heard <- m })
	if change != nil {
		change(o)
	}
	a.Client = paho.NewClient(o)
	if err := done(t, a.Connect()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Disconnect(50) })
	return a
}

func (a *agent) listen(t *testing.T, who topic.Address, kind topic.Kind) {
	t.Helper()
	token := a.Subscribe(who.Topic(kind), 1, nil)
	if err := done(t, token); err != nil {
		t.Fatal(err)
	}
	if err := granted(token.(*paho.SubscribeToken).Result(), map[string]byte{who.Topic(kind): 1}); err != nil {
		t.Fatal(err)
	}
}

func everyBroker(t *testing.T, test func(t *testing.T, b Broker)) {
	for name, make := range brokers {
		t.Run(name, func(t *testing.T) { test(t, make(t)) })
	}
}

func TestWhatIsPublishedReachesTheAgent(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		a := connect(t, b.Addr(), mill, nil)
		a.listen(t, mill, topic.Lease)
		if err := b.Publish(t.Context(), Message{Topic: mill.Topic(topic.Lease), Payload: []byte("a lease")}); err != nil {
			t.Fatal(err)
		}
		m := receive(t, a.heard)
		if string(m.Payload()) != "a lease" || m.Retained() {
			t.Errorf("heard %q, retained %v", m.Payload(), m.Retained())
		}
	})
}

func TestWhatIsRetainedWaitsForTheAgent(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		for _, text := range []string{"revision 1", "revision 2"} {
			if err := b.Publish(t.Context(), Message{Topic: mill.Topic(topic.Orders), Payload: []byte(text), Retained: true}); err != nil {
				t.Fatal(err)
			}
		}
		a := connect(t, b.Addr(), mill, nil)
		a.listen(t, mill, topic.Orders)
		if m := receive(t, a.heard); string(m.Payload()) != "revision 2" || !m.Retained() {
			t.Errorf("heard %q, retained %v", m.Payload(), m.Retained())
		}
	})
}

// An empty message ends what is retained (MQTT 3.1.1, section 3.3.1.3).
func TestWhatIsClearedIsNotRetained(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		for _, text := range []string{"revision 1", ""} {
			if err := b.Publish(t.Context(), Message{Topic: mill.Topic(topic.Orders), Payload: []byte(text), Retained: true}); err != nil {
				t.Fatal(err)
			}
		}
		a := connect(t, b.Addr(), mill, nil)
		a.listen(t, mill, topic.Orders)
		if err := b.Publish(t.Context(), Message{Topic: mill.Topic(topic.Orders), Payload: []byte("revision 2")}); err != nil {
			t.Fatal(err)
		}
		if m := receive(t, a.heard); string(m.Payload()) != "revision 2" || m.Retained() {
			t.Errorf("heard %q, retained %v", m.Payload(), m.Retained())
		}
	})
}

// What was given up reading is not heard any more; what is read again is said
// anew, as it is kept.
func TestAnAgentHearsWhatItReads(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		a := connect(t, b.Addr(), mill, nil)
		a.listen(t, mill, topic.Orders)
		a.listen(t, mill, topic.Lease)
		if err := done(t, a.Unsubscribe(mill.Topic(topic.Orders))); err != nil {
			t.Fatal(err)
		}
		for _, m := range []Message{
			{Topic: mill.Topic(topic.Orders), Payload: []byte("unheard"), Retained: true},
			{Topic: mill.Topic(topic.Lease), Payload: []byte("heard")},
		} {
			if err := b.Publish(t.Context(), m); err != nil {
				t.Fatal(err)
			}
		}
		if m := receive(t, a.heard); string(m.Payload()) != "heard" {
			t.Errorf("heard %q", m.Payload())
		}
		a.listen(t, mill, topic.Orders)
		if m := receive(t, a.heard); string(m.Payload()) != "unheard" || !m.Retained() {
			t.Errorf("heard %q, retained %v", m.Payload(), m.Retained())
		}
	})
}

func TestAnAgentIsAcknowledgedOnlyAfterDone(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		if _, outside := b.(*external); outside {
			t.Log("a broker outside acknowledges what it has; there, Done acknowledges to the broker")
		}
		a := connect(t, b.Addr(), mill, nil)
		token := a.Publish(mill.Topic(topic.Records), 1, false, []byte("a batch"))
		d := receive(t, b.Deliveries())
		if d.Topic != mill.Topic(topic.Records) || string(d.Payload) != "a batch" || d.Retained {
			t.Errorf("delivered %q on %s, retained %v", d.Payload, d.Topic, d.Retained)
		}
		if _, inside := b.(*embedded); inside {
			// Whatever the broker answers to this comes after what it has said by now.
			if err := done(t, a.Subscribe(mill.Topic(topic.Lease), 1, nil)); err != nil {
				t.Fatal(err)
			}
			select {
			case <-token.Done():
				t.Fatal("acknowledged before Done")
			default:
			}
		}
		d.Done()
		if err := done(t, token); err != nil {
			t.Fatal(err)
		}
	})
}

func TestEveryKindOfWordComesUp(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		a := connect(t, b.Addr(), mill, nil)
		for _, kind := range topic.Kinds() {
			if kind.Down() {
				continue
			}
			for quality := range byte(2) {
				token := a.Publish(mill.Topic(kind), quality, kind.Retained(), []byte(kind))
				d := receive(t, b.Deliveries())
				if d.Topic != mill.Topic(kind) || string(d.Payload) != string(kind) {
					t.Errorf("delivered %q on %s, want %s", d.Payload, d.Topic, kind)
				}
				d.Done()
				if err := done(t, token); err != nil {
					t.Error(err)
				}
			}
		}
	})
}

func TestManyWaitingMessagesAllComeAndAreAllAcknowledged(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		a := connect(t, b.Addr(), mill, nil)
		const count = 3 * maxWaiting
		var tokens []paho.Token
		for i := range count {
			tokens = append(tokens, a.Publish(mill.Topic(topic.Records), 1, false, fmt.Append(nil, i)))
		}
		came := map[string]bool{}
		for range count {
			d := receive(t, b.Deliveries())
			came[string(d.Payload)] = true
			d.Done()
		}
		for _, token := range tokens {
			if err := done(t, token); err != nil {
				t.Fatal(err)
			}
		}
		if len(came) != count {
			t.Errorf("%d different messages came, want %d", len(came), count)
		}
	})
}

func TestTheWillOfALostAgentComesUp(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		a := connect(t, b.Addr(), mill, func(o *paho.ClientOptions) {
			o.SetBinaryWill(mill.Topic(topic.Presence), []byte("offline"), 1, true)
		})
		a.conn.cut()
		d := receive(t, b.Deliveries())
		if d.Topic != mill.Topic(topic.Presence) || string(d.Payload) != "offline" {
			t.Errorf("delivered %q on %s", d.Payload, d.Topic)
		}
		d.Done()
	})
}

func TestStopEndsDeliveriesAndPublishing(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		a := connect(t, b.Addr(), mill, nil)
		for range maxWaiting + 10 { // more than are taken without Done
			a.Publish(mill.Topic(topic.Records), 1, false, []byte("a batch"))
		}
		receive(t, b.Deliveries())
		b.Stop()
		for d := range b.Deliveries() {
			d.Done() // too late for the agent, and harmless
		}
		if b.Connected() {
			t.Error("connected after Stop")
		}
		if err := b.Publish(t.Context(), Message{Topic: mill.Topic(topic.Lease)}); !errors.Is(err, ErrNotConnected) {
			t.Errorf("publishing after Stop gave %v", err)
		}
	})
}

func TestPublishEndsWithItsContext(t *testing.T) {
	everyBroker(t, func(t *testing.T, b Broker) {
		started(t, b)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := b.Publish(ctx, Message{Topic: mill.Topic(topic.Lease)}); !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
	})
}
