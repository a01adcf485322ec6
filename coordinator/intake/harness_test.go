package intake

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

func TestMain(m *testing.M) {
	if text := os.Getenv(loadVariable); text != "" {
		bePublishers(text)
		return
	}
	goleak.VerifyTestMain(m, storetest.LeakOptions()...)
}

const network = "tern-valley"

func run(n int) string { return fmt.Sprintf("%032x", n) }

// wireRecord is an event, as an agent keeps it.
func wireRecord(n int, seq uint64) *wirev1.Record {
	return &wirev1.Record{
		Boot: run(n), Seq: seq, RecordedDay: 20517, DeviceUnixUs: 1_772_700_000_000_000 + int64(seq),
		Body: &wirev1.Record_Event{Event: &wirev1.Event{What: "hush_accepted", Sentence: "It is quiet."}},
	}
}

func marshal(t testing.TB, m proto.Message) []byte {
	t.Helper()
	b, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func batch(t testing.TB, beacon string, records ...*wirev1.Record) []byte {
	t.Helper()
	b := &wirev1.RecordBatch{Network: network, Beacon: beacon}
	for _, r := range records {
		b.Records = append(b.Records, marshal(t, r))
	}
	return marshal(t, b)
}

func topicOf(beacon string, kind topic.Kind) string {
	return topic.Address{Network: network, Beacon: beacon}.Topic(kind)
}

// listener is a broker that opens receipts and passes them on.
type listener struct {
	t        testing.TB
	ring     seal.Keyring
	receipts chan *wirev1.Receipt
	before   func(*wirev1.Receipt) error // looked at first; its error is the broker's
}

func (l *listener) Publish(ctx context.Context, m broker.Message) error {
	address, kind, err := topic.Parse(m.Topic)
	if err != nil || kind != topic.Receipts || m.Retained {
		l.t.Errorf("published on %s, retained %v: %v", m.Topic, m.Retained, err)
	}
	payload, err := l.ring.Open(seal.Receipt, address.Network, address.Beacon, m.Payload)
	if err != nil {
		l.t.Error(err)
	}
	receipt := &wirev1.Receipt{}
	if err := proto.Unmarshal(payload, receipt); err != nil {
		l.t.Error(err)
	}
	if l.before != nil {
		if err := l.before(receipt); err != nil {
			return err
		}
	}
	select {
	case l.receipts <- receipt:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// logs is where an intake under test logs to.
type logs struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logs) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logs) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// bench is an intake under test, with what surrounds it.
type bench struct {
	*Intake
	listener *listener
	logs     *logs
	registry *prometheus.Registry
}

var signer = sync.OnceValues(func() (*seal.Signer, error) { return seal.NewSigner(rand.Reader) })

// newBench makes an intake that knows the beacons whose names do not begin with
// "unknown".
func newBench(t testing.TB, s Storer) *bench {
	t.Helper()
	key, err := signer()
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{
		listener: &listener{t: t, ring: seal.NewKeyring(key.Public()), receipts: make(chan *wirev1.Receipt, 10_000)},
		logs:     &logs{}, registry: prometheus.NewRegistry(),
	}
	b.Intake = New(Options{
		Store: s, Publisher: b.listener, Signer: key, Network: network,
		Known:      func(beacon string) bool { return len(beacon) < 7 || beacon[:7] != "unknown" },
		SlotLength: func() slot.Length { return slot.Standard },
		Logger:     slog.New(slog.NewTextHandler(b.logs, nil)), Metrics: b.registry,
	})
	return b
}

// start runs the intake until the test ends.
func (b *bench) start(t testing.TB) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	go b.Run(ctx)
	t.Cleanup(func() { cancel(); <-b.ended })
}

// waiting is how many messages wait to be stored.
func (b *bench) waiting() (n int) {
	for i := range b.lanes {
		l := &b.lanes[i]
		n += len(l.live) + len(l.records)
	}
	return n
}

// bring hands a delivery over; the channel closes when it is dealt with.
func (b *bench) bring(t testing.TB, topic string, payload []byte) <-chan struct{} {
	t.Helper()
	return b.deliver(t, broker.Delivery{Topic: topic, Payload: payload})
}

func (b *bench) deliver(t testing.TB, d broker.Delivery) <-chan struct{} {
	t.Helper()
	done := make(chan struct{})
	d.Done = func() { close(done) }
	if err := b.Handle(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	return done
}

// count reads a metric of the intake.
func (b *bench) count(t testing.TB, name string, labels map[string]string) float64 {
	t.Helper()
	families, err := b.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, family := range families {
		for _, metric := range family.GetMetric() {
			fits := family.GetName() == name
			for _, label := range metric.GetLabel() {
				fits = fits && labels[label.GetName()] == label.GetValue()
			}
			if fits {
				return metric.GetCounter().GetValue()
			}
		}
	}
	t.Fatalf("no metric %s%v", name, labels)
	return 0
}

func ask(t testing.TB, address, query string, results ...any) {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if len(results) == 0 {
		_, err = conn.Exec(context.Background(), query)
	} else {
		err = conn.QueryRow(context.Background(), query).Scan(results...)
	}
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}
