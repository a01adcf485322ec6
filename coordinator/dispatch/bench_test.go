package dispatch

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// twoNear is an invented network with two sites near each other.
const twoNear = `
network: {name: Tern Valley Schools, id: tern-valley}
sites:
  - {name: hilltop, locator: IP62oa}
  - {name: mill, locator: IP62ob}
beacons:
  - {name: hilltop-hf, callsign: Q0TRN, site: hilltop, control: automatic, power_dbm: 23, share: 0.5, uncertainty_ppm: 0.05, bands: [40m]}
  - {name: mill-hf, callsign: Q1TRN, site: mill, control: remote, power_dbm: 23, share: 0.5, uncertainty_ppm: 0.05, bands: [40m]}
`

// oneOnly is the same without the second beacon.
var oneOnly, _, _ = strings.Cut(twoNear, "  - {name: mill-hf")

func readFleet(t testing.TB, text string) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Read("fleet.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// bench is a dispatcher between a real database and a broker that only takes
// down what it is given.
type bench struct {
	t     *testing.T
	store *store.Store
	d     *Dispatcher
	ring  seal.Keyring
	away  bool // guarded by mu, as what follows: the broker takes nothing
	mu    sync.Mutex
	came  map[string]chan broker.Message // by topic
	check func(m broker.Message)         // called before a message counts as published
}

func newBench(t *testing.T, fleetText string) *bench {
	t.Helper()
	return newBenchOn(t, storetest.New(t), fleetText)
}

func newBenchOn(t *testing.T, s *store.Store, fleetText string) *bench {
	t.Helper()
	signer, err := seal.NewSigner(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, store: s, ring: seal.NewKeyring(signer.Public()), came: map[string]chan broker.Message{}}
	b.d = New(Options{
		Store: b.store, Plans: b.store, Publisher: b, Signer: signer,
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Metrics: prometheus.NewRegistry(),
	})
	b.d.answersSoon = time.Minute // on a machine as busy as this may be; what happens later has tests of its own
	b.apply(fleetText)
	return b
}

// apply puts a fleet file in force.
func (b *bench) apply(text string) {
	b.t.Helper()
	f := readFleet(b.t, text)
	applied, err := b.store.ApplyFleet(b.t.Context(), store.FleetVersion{
		Network: f.Network.ID, SlotSeconds: int64(f.Network.Slot), File: "fleet.yaml", YAML: text, AppliedBy: "test",
	}, store.Whatever)
	if err != nil {
		b.t.Fatal(err)
	}
	b.d.SetFleet(f, applied.Version)
}

// lead makes the dispatcher lead until the returned call, or the test, ends it.
func (b *bench) lead() (epoch uint64, end func()) {
	b.t.Helper()
	epoch = b.takeLead("bench")
	ctx, cancel := context.WithCancel(b.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- b.d.Run(ctx, epoch) }()
	end = sync.OnceFunc(func() {
		cancel()
		if err := receive(b.t, ended); !errors.Is(err, context.Canceled) && !errors.Is(err, store.ErrDeposed) {
			b.t.Errorf("Run ended with %v", err)
		}
	})
	b.t.Cleanup(end)
	b.untilLeading()
	return epoch, end
}

// untilLeading waits for the dispatcher to take over what was stored: before
// that, hushes are given as by any other coordinator.
func (b *bench) untilLeading() {
	b.t.Helper()
	again := time.NewTicker(5 * time.Millisecond)
	defer again.Stop()
	patience := time.NewTimer(2 * time.Minute)
	defer patience.Stop()
	for b.d.leading() == nil {
		select {
		case <-again.C:
		case <-patience.C:
			b.t.Fatal("it does not lead")
		}
	}
}

func (b *bench) takeLead(holder string) uint64 {
	b.t.Helper()
	session, err := b.store.Election(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	defer func() { _ = session.Close(b.t.Context()) }()
	epoch, err := session.TakeLead(b.t.Context(), holder)
	if err != nil {
		b.t.Fatal(err)
	}
	return epoch
}

// Publish takes a message down.
func (b *bench) Publish(_ context.Context, m broker.Message) error {
	b.mu.Lock()
	away, check := b.away, b.check
	b.mu.Unlock()
	if away {
		return broker.ErrNotConnected
	}
	if check != nil {
		check(m)
	}
	b.of(m.Topic) <- m
	return nil
}

func (b *bench) of(name string) chan broker.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.came[name] == nil {
		b.came[name] = make(chan broker.Message, 1000)
	}
	return b.came[name]
}

func (b *bench) setAway(away bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.away = away
}

func receive[T any](t *testing.T, from <-chan T) (value T) {
	t.Helper()
	select {
	case value = <-from:
	case <-time.After(60 * time.Second):
		t.Fatal("nothing came within 60 s")
	}
	return value
}

func at(beacon string) topic.Address { return topic.Address{Network: "tern-valley", Beacon: beacon} }

// next waits for the next message of a kind to a beacon and opens it.
func (b *bench) next(kind topic.Kind, purpose seal.Purpose, beacon string, into proto.Message) {
	b.t.Helper()
	m := receive(b.t, b.of(at(beacon).Topic(kind)))
	if m.Retained != kind.Retained() {
		b.t.Errorf("%s: retained %v", m.Topic, m.Retained)
	}
	payload, err := b.ring.Open(purpose, "tern-valley", beacon, m.Payload)
	if err != nil {
		b.t.Fatal(err)
	}
	if err := proto.Unmarshal(payload, into); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) orders(beacon string) *wirev1.Orders {
	b.t.Helper()
	var o wirev1.Orders
	b.next(topic.Orders, seal.Orders, beacon, &o)
	return &o
}

func (b *bench) hush(beacon string) *wirev1.Hush {
	b.t.Helper()
	var h wirev1.Hush
	b.next(topic.Hush, seal.Hush, beacon, &h)
	return &h
}

// quiet says that nothing more came on a topic by now.
func (b *bench) quiet(kind topic.Kind, beacon string) {
	b.t.Helper()
	if left := len(b.of(at(beacon).Topic(kind))); left != 0 {
		b.t.Errorf("%d more messages of %s to %s", left, kind, beacon)
	}
}

const run = "0123456789abcdef0123456789abcdef"

func request(beacon string, held *wirev1.Orders) *wirev1.LeaseRequest {
	r := &wirev1.LeaseRequest{
		Network: "tern-valley", Beacon: beacon, Nonce: []byte("0123456789abcdef"), BootId: "kernel-" + beacon, Reader: 1, Run: run,
	}
	if held != nil {
		r.Confirmed = &wirev1.OrdersNumber{Epoch: held.Epoch, Revision: held.Revision}
	}
	return r
}

// ask sends a request for a lease as the broker would deliver it.
func (b *bench) ask(r *wirev1.LeaseRequest) {
	b.t.Helper()
	payload, err := proto.Marshal(r)
	if err != nil {
		b.t.Fatal(err)
	}
	b.deliver(at(r.Beacon).Topic(topic.LeaseRequest), payload)
}

func (b *bench) deliver(name string, payload []byte) {
	b.t.Helper()
	done := make(chan struct{})
	b.d.HandleLeaseRequest(b.t.Context(), broker.Delivery{Topic: name, Payload: payload, Done: func() { close(done) }})
	receive(b.t, done)
}

// granted asks for a lease and returns the answer.
func (b *bench) granted(r *wirev1.LeaseRequest) *wirev1.LeaseGrant {
	b.t.Helper()
	b.ask(r)
	var g wirev1.LeaseGrant
	b.next(topic.Lease, seal.Lease, r.Beacon, &g)
	return &g
}
