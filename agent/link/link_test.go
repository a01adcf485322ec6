package link

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var address = topic.Address{Network: "tern-valley", Beacon: "mill-hf"}

// patience is how long a test waits for what must come.
const patience = 20 * time.Second

// broker is a real broker on loopback, which can refuse a subscription and cut
// its connections.
type broker struct {
	t      *testing.T
	server *mochi.Server
	at     string
	heard  chan packets.Packet
	hook   *refuser
}

// refuser is the broker's door.
type refuser struct {
	mochi.HookBase
	mu     sync.Mutex
	refuse string // subscriptions with this in them
}

func (r *refuser) ID() string { return "refuser" }

func (r *refuser) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (r *refuser) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

func (r *refuser) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return write || r.refuse == "" || !strings.Contains(topic, r.refuse)
}

func (r *refuser) set(refuse string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.refuse = refuse
}

func startBroker(t *testing.T) *broker {
	t.Helper()
	b := &broker{t: t, heard: make(chan packets.Packet, 1000), hook: &refuser{}}
	b.server = mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	if err := b.server.AddHook(b.hook, nil); err != nil {
		t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := b.server.AddListener(listener); err != nil {
		t.Fatal(err)
	}
	if err := b.server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.server.Close() })
	b.at = listener.Address()
	err := b.server.Subscribe("lamplighter/#", 1, func(_ *mochi.Client, _ packets.Subscription, p packets.Packet) {
		b.heard <- p
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *broker) link(at string) *Link {
	l := Start(Options{
		Broker: "tcp://" + at, Address: address, Run: "run-1", Version: "trial", Reader: 1,
		Log: slog.New(slog.DiscardHandler),
	})
	b.t.Cleanup(l.Close)
	return l
}

// presence waits for the next presence that the broker hears.
func (b *broker) presence() *wirev1.Presence {
	b.t.Helper()
	for {
		p := receive(b.t, b.heard)
		if p.TopicName != address.Topic(topic.Presence) {
			continue
		}
		if !p.FixedHeader.Retain && p.FixedHeader.Qos != 1 {
			b.t.Errorf("a presence came with quality %d", p.FixedHeader.Qos)
		}
		var presence wirev1.Presence
		if err := proto.Unmarshal(p.Payload, &presence); err != nil {
			b.t.Fatal(err)
		}
		return &presence
	}
}

func (b *broker) say(kind topic.Kind, payload []byte) {
	b.t.Helper()
	if err := b.server.Publish(address.Topic(kind), payload, kind.Retained(), 1); err != nil {
		b.t.Fatal(err)
	}
}

func receive[T any](t *testing.T, from <-chan T) T {
	t.Helper()
	select {
	case v, ok := <-from:
		if !ok {
			t.Fatal("the channel is closed")
		}
		return v
	case <-time.After(patience):
		t.Fatal("nothing came")
	}
	panic("unreachable")
}

func expect(t *testing.T, l *Link, want core.Event) {
	t.Helper()
	got := receive(t, l.Events())
	if fmt.Sprintf("%T%v", got, got) != fmt.Sprintf("%T%v", want, want) {
		t.Fatalf("got %T %v, want %T %v", got, got, want, want)
	}
}

func TestALinkSpeaksBothWays(t *testing.T) {
	b := startBroker(t)
	l := b.link(b.at)
	expect(t, l, core.LinkUp{})
	if p := b.presence(); !p.GetOnline() || p.GetConnection() != 1 || p.GetRun() != "run-1" || p.GetBeacon() != address.Beacon {
		t.Errorf("presence %v", p)
	}
	for _, kind := range []topic.Kind{topic.Orders, topic.Hush, topic.Lease, topic.Receipts} {
		b.say(kind, []byte(kind))
		expect(t, l, core.Message{Kind: kind, Payload: []byte(kind)})
	}
	if !l.Publish(core.Publish{Kind: topic.Health, Payload: []byte("well")}) {
		t.Error("the queue is full")
	}
	if p := receive(t, b.heardOn(topic.Health)); string(p.Payload) != "well" || p.FixedHeader.Retain {
		t.Errorf("the broker heard %v", p)
	}
}

// heardOn gives what the broker hears of one kind.
func (b *broker) heardOn(kind topic.Kind) <-chan packets.Packet {
	only := make(chan packets.Packet, 1)
	for {
		if p := receive(b.t, b.heard); p.TopicName == address.Topic(kind) {
			only <- p
			return only
		}
	}
}

func TestWhatIsRetainedComesOnEachConnection(t *testing.T) {
	b := startBroker(t)
	b.say(topic.Hush, []byte("silence"))
	l := b.link(b.at)
	seen := map[string]bool{}
	for range 2 {
		seen[fmt.Sprintf("%T", receive(t, l.Events()))] = true
	}
	if !seen["core.LinkUp"] || !seen["core.Message"] {
		t.Errorf("got %v", seen)
	}
}

func TestACleanEndSaysOffline(t *testing.T) {
	b := startBroker(t)
	l := b.link(b.at)
	expect(t, l, core.LinkUp{})
	b.presence()
	l.Close()
	if p := b.presence(); p.GetOnline() || p.GetConnection() != 1 {
		t.Errorf("presence %v", p)
	}
	if _, open := <-l.Events(); open {
		t.Error("the events go on")
	}
}

// proxy passes connections on, and cuts them from the far side.
type proxy struct {
	t        *testing.T
	to       string
	listener net.Listener
	mu       sync.Mutex
	conns    []net.Conn
	deaf     bool // accepts and passes nothing on
	accepted chan bool
	running  sync.WaitGroup
}

func startProxy(t *testing.T, to string) *proxy {
	t.Helper()
	listener, err := new(net.ListenConfig).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{t: t, to: to, listener: listener, accepted: make(chan bool, 100)}
	p.running.Go(p.accept)
	t.Cleanup(func() {
		_ = listener.Close()
		p.cut()
		p.running.Wait()
	})
	return p
}

func (p *proxy) accept() {
	for {
		near, err := p.listener.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		p.conns = append(p.conns, near)
		deaf := p.deaf
		p.mu.Unlock()
		p.accepted <- true
		if deaf {
			continue
		}
		far, err := new(net.Dialer).DialContext(context.Background(), "tcp", p.to)
		if err != nil {
			_ = near.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, far)
		p.mu.Unlock()
		p.running.Go(func() { pour(near, far) })
		p.running.Go(func() { pour(far, near) })
	}
}

func pour(to, from net.Conn) {
	buffer := make([]byte, 4096)
	for {
		n, err := from.Read(buffer)
		if err != nil {
			_ = to.Close()
			return
		}
		if _, err := to.Write(buffer[:n]); err != nil {
			_ = from.Close()
			return
		}
	}
}

func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		_ = c.Close()
	}
	p.conns = nil
}

func TestALinkThatIsCutComesBackUnderANewNumber(t *testing.T) {
	b := startBroker(t)
	p := startProxy(t, b.at)
	l := b.link(p.listener.Addr().String())
	for n := uint64(1); n <= 3; n++ {
		expect(t, l, core.LinkUp{})
		if got := b.presence(); !got.GetOnline() || got.GetConnection() != n {
			t.Errorf("connection %d begins with %v", n, got)
		}
		p.cut()
		expect(t, l, core.LinkDown{})
		if got := b.presence(); got.GetOnline() || got.GetConnection() != n {
			t.Errorf("connection %d ends with %v", n, got)
		}
	}
}

func TestWhatWasQueuedForALostConnectionIsForgotten(t *testing.T) {
	b := startBroker(t)
	p := startProxy(t, b.at)
	l := b.link(p.listener.Addr().String())
	expect(t, l, core.LinkUp{})
	p.cut()
	expect(t, l, core.LinkDown{})
	l.Publish(core.Publish{Kind: topic.Health, Payload: []byte("stale")})
	expect(t, l, core.LinkUp{})
	l.Publish(core.Publish{Kind: topic.Health, Payload: []byte("fresh")})
	if got := receive(t, b.heardOn(topic.Health)); string(got.Payload) != "fresh" {
		t.Errorf("the broker heard %q", got.Payload)
	}
}

func TestARefusedSubscriptionIsNoLink(t *testing.T) {
	b := startBroker(t)
	b.hook.set("down/hush")
	logged := make(chan string, 100)
	l := Start(Options{Broker: "tcp://" + b.at, Address: address, Log: slog.New(slog.NewTextHandler(lines(logged), nil))})
	defer l.Close()
	for !strings.Contains(receive(t, logged), "refuses the subscription") {
	}
	select {
	case e := <-l.Events():
		t.Errorf("got %T", e)
	default:
	}
	b.hook.set("")
	expect(t, l, core.LinkUp{})
}

// lines puts what is logged into a channel.
type lines chan string

func (l lines) Write(p []byte) (int, error) {
	select {
	case l <- string(p):
	default:
	}
	return len(p), nil
}

func TestAnAgentThatCanNotKeepUpConnectsAgain(t *testing.T) {
	b := startBroker(t)
	logged := make(chan string, 1000)
	l := Start(Options{Broker: "tcp://" + b.at, Address: address, Log: slog.New(slog.NewTextHandler(lines(logged), nil))})
	defer l.Close()
	expect(t, l, core.LinkUp{})
	for range incoming + 50 { // and nobody reads
		b.say(topic.Receipts, []byte("receipt"))
	}
	gaveUp := make(chan struct{})
	go func() { // now somebody does, but far too slowly until the link has given up
		slow := time.NewTicker(50 * time.Millisecond)
		defer slow.Stop()
		for range l.Events() {
			select {
			case <-gaveUp:
			case <-slow.C:
			}
		}
	}()
	for !strings.Contains(receive(t, logged), "faster than they can be dealt with") {
	}
	close(gaveUp)
	for !strings.Contains(receive(t, logged), "connection=2") {
	}
}

func TestAMessageThatIsTooLargeIsDropped(t *testing.T) {
	b := startBroker(t)
	l := b.link(b.at)
	expect(t, l, core.LinkUp{})
	b.say(topic.Lease, make([]byte, MaxPayload+1))
	large := make([]byte, MaxPayload)
	b.say(topic.Lease, large)
	if m, ok := receive(t, l.Events()).(core.Message); !ok || len(m.Payload) != MaxPayload {
		t.Errorf("got %T of %d bytes", m, len(m.Payload))
	}
}

func TestABrokerThatAcceptsAndSaysNothingHoldsNobodyUp(t *testing.T) {
	b := startBroker(t)
	p := startProxy(t, b.at)
	p.mu.Lock()
	p.deaf = true
	p.mu.Unlock()
	l := b.link(p.listener.Addr().String())
	receive(t, p.accepted)
	began := time.Now()
	l.Close()
	if took := time.Since(began); took > answerTime/2 {
		t.Errorf("to end took %v", took)
	}
}

func TestBackoff(t *testing.T) {
	for _, test := range []struct {
		failures int
		most     time.Duration
	}{{0, time.Second}, {1, 2 * time.Second}, {5, 32 * time.Second}, {6, time.Minute}, {1000, time.Minute}} {
		if got := backoff(test.failures, 0); got != 0 {
			t.Errorf("after %d failures the least wait is %v", test.failures, got)
		}
		if got := backoff(test.failures, 0.999999); got > test.most || got < test.most*9/10 {
			t.Errorf("after %d failures the longest wait is %v, want %v", test.failures, got, test.most)
		}
	}
}
