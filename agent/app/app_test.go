package app

import (
	"context"
	"crypto/rand"
	"log/slog"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"

	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/setup"
	"lamplighter/proto/topic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for what must come.
const patience = 30 * time.Second

// length is that of the slots here: a trial's, since nothing real is keyed.
const length slot.Length = 4

var address = topic.Address{Network: "tern-valley", Beacon: "mill-hf"}

// carrier is a transmitter that says when it is keyed.
type carrier struct{ changes chan bool }

func (c carrier) Key(float64, int) error { c.changes <- true; return nil }
func (c carrier) Tone(float64) error     { return nil }
func (c carrier) Unkey() error           { c.changes <- false; return nil }
func (c carrier) Close() error           { return c.Unkey() }

// station is a beacon with a coordinator that answers for it.
type station struct {
	t       *testing.T
	signer  *seal.Signer
	server  *mochi.Server
	file    *setup.File
	carrier carrier
	health  chan *wirev1.Health
	records chan *wirev1.Record

	mu     sync.Mutex
	number uint64
}

func newStation(t *testing.T) *station {
	t.Helper()
	signer, err := seal.NewSigner(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s := &station{
		t: t, signer: signer, carrier: carrier{make(chan bool, 1000)},
		health: make(chan *wirev1.Health, 1000), records: make(chan *wirev1.Record, 1000),
	}
	at := s.startBroker()
	s.file = &setup.File{
		Network: address.Network, Site: "mill", Beacon: address.Beacon, Broker: "tcp://" + at, Folder: t.TempDir(), HealthSeconds: 1,
		Clock:          setup.Clock{Source: "simulated", BoundMS: 1},
		Transmitter:    setup.Transmitter{Driver: "simulated", UncertaintyPPB: 10},
		CoordinatorKey: setup.CoordinatorKey{ID: signer.Public().ID(), Public: signer.Public().String()},
	}
	s.file.SetEnvelope(s.sealed(seal.Envelope, &wirev1.Envelope{
		Network: address.Network, Beacon: address.Beacon, Number: 1, Callsign: "Q1ABC", Locator: "JO65", SlotSeconds: uint32(length),
		Bands: []*wirev1.EnvelopeBand{{
			Band: "40m", Control: wirev1.Control_CONTROL_REMOTE, MaxPowerDbm: 37,
			Segments: []*wirev1.Segment{{FromHz: 7_000_000, ToHz: 7_200_000, LimitDbm: 37}},
		}},
	}))
	return s
}

func (s *station) startBroker() string {
	s.server = mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	if err := s.server.AddHook(new(auth.AllowHook), nil); err != nil {
		s.t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := s.server.AddListener(listener); err != nil {
		s.t.Fatal(err)
	}
	if err := s.server.Serve(); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { _ = s.server.Close() })
	for id, kind := range map[int]topic.Kind{1: topic.LeaseRequest, 2: topic.Health, 3: topic.Records} {
		err := s.server.Subscribe(address.Topic(kind), id, func(_ *mochi.Client, _ packets.Subscription, p packets.Packet) { s.hear(kind, p.Payload) })
		if err != nil {
			s.t.Fatal(err)
		}
	}
	return listener.Address()
}

func (s *station) sealed(purpose seal.Purpose, m proto.Message) []byte {
	raw, err := proto.Marshal(m)
	if err != nil {
		s.t.Error(err)
	}
	return s.signer.Seal(purpose, address.Network, address.Beacon, raw)
}

func (s *station) say(kind topic.Kind, purpose seal.Purpose, m proto.Message) {
	if err := s.server.Publish(address.Topic(kind), s.sealed(purpose, m), kind.Retained(), 1); err != nil {
		s.t.Error(err)
	}
}

// hear is the coordinator: it grants every lease, and stores every record.
func (s *station) hear(kind topic.Kind, payload []byte) {
	switch kind {
	case topic.LeaseRequest:
		var r wirev1.LeaseRequest
		s.read(payload, &r)
		s.say(topic.Lease, seal.Lease, &wirev1.LeaseGrant{
			Network: address.Network, Beacon: address.Beacon, Nonce: r.GetNonce(), BootId: r.GetBootId(), Epoch: 1, Confirmed: r.GetConfirmed(),
			Terms: []*wirev1.LeaseTerm{{Control: wirev1.Control_CONTROL_REMOTE, TimeToLiveMs: 180_000}},
		})
	case topic.Health:
		h := &wirev1.Health{}
		s.read(payload, h)
		s.health <- h
	case topic.Records:
		var b wirev1.RecordBatch
		s.read(payload, &b)
		receipt := &wirev1.Receipt{Network: address.Network, Beacon: address.Beacon}
		for _, raw := range b.GetRecords() {
			r := &wirev1.Record{}
			s.read(raw, r)
			receipt.Ranges = append(receipt.Ranges, &wirev1.ReceiptRange{Boot: r.GetBoot(), FirstSeq: r.GetSeq(), LastSeq: r.GetSeq()})
			s.records <- r
		}
		s.say(topic.Receipts, seal.Receipt, receipt)
	}
}

func (s *station) read(payload []byte, into proto.Message) {
	if err := proto.Unmarshal(payload, into); err != nil {
		s.t.Error(err)
	}
}

// start starts an agent with a keyer in memory.
func (s *station) start() *App {
	s.t.Helper()
	keys, err := s.file.Keyring()
	if err != nil {
		s.t.Fatal(err)
	}
	a, err := New(Options{
		File: s.file, Version: "trial", Log: slog.New(slog.NewTextHandler(s.t.Output(), nil)),
		StartKeyer: func(ctx context.Context) (Keyer, error) {
			return process.InMemory(ctx, process.Options{
				Config: keyer.Config{Network: address.Network, Beacon: address.Beacon, Keys: keys, SimulatedTransmitter: true},
				Dir:    s.file.Folder, Transmitter: s.carrier,
			}), nil
		},
	})
	if err != nil {
		s.t.Fatal(err)
	}
	if err := a.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(a.Stop)
	return a
}

// order orders every slot from the one after next on.
func (s *station) order(revision uint64) {
	now := int64(length.At(time.Now()))
	o := &wirev1.Orders{
		LeastReader: 1, Network: address.Network, Beacon: address.Beacon, Epoch: 1, Revision: revision,
		IssuedUnixMs: time.Now().UnixMilli(), SlotSeconds: uint32(length), FromSlot: now, ToSlot: now + 100,
	}
	for n := now + 2; n < now+100; n++ {
		o.Transmissions = append(o.Transmissions, &wirev1.Transmission{
			Slot: n, Band: "40m", FrequencyMillihertz: 7_040_100_000, UncertaintyMillihertz: 352, DrivePercent: 50,
			Control: wirev1.Control_CONTROL_REMOTE,
			Message: &wirev1.Message{Callsign: "Q1ABC", Locator: "JO65", PowerDbm: 30, Kind: wirev1.MessageKind_MESSAGE_KIND_FULL},
		})
	}
	s.say(topic.Orders, seal.Orders, o)
}

func (s *station) hush(scopes ...*wirev1.HushScope) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.number++
	s.say(topic.Hush, seal.Hush, &wirev1.Hush{Network: address.Network, Beacon: address.Beacon, Epoch: 1, Number: s.number, Scopes: scopes})
}

// await takes from a channel until something is right.
func await[T any](t *testing.T, what string, from <-chan T, right func(T) bool) T {
	t.Helper()
	limit := time.After(patience)
	for {
		select {
		case v := <-from:
			if right(v) {
				return v
			}
		case <-limit:
			t.Fatalf("%s: it did not come", what)
		}
	}
}

func keyed(down bool) bool { return down }

func ended(kind wirev1.OutcomeKind, reason string) func(*wirev1.Record) bool {
	return func(r *wirev1.Record) bool {
		return r.GetOutcome() != nil && r.GetOutcome().GetKind() == kind && r.GetOutcome().GetReason() == reason
	}
}

func TestAnAgentOnARealBroker(t *testing.T) {
	s := newStation(t)
	a := s.start()
	s.order(1)
	await(t, "key-down", s.carrier.changes, keyed)
	sent := await(t, "a slot that was sent", s.records, ended(wirev1.OutcomeKind_OUTCOME_KIND_SENT, "")).GetOutcome()
	if sent.GetSymbols() != slot.Symbols || sent.KeyedUnixUs == nil || sent.PermittedUnixUs == nil {
		t.Errorf("outcome %v", sent)
	}
	start := length.Start(slot.Number(sent.GetTransmission().GetSlot()))
	if late := time.UnixMicro(sent.GetKeyedUnixUs()).Sub(start.Add(length.Timing().StartOffset())); late < 0 || late > 200*time.Millisecond {
		t.Errorf("keyed %v after its time", late)
	}

	await(t, "the next key-down", s.carrier.changes, keyed)
	asked := time.Now()
	s.hush(&wirev1.HushScope{Reason: "trial", GivenBy: "warden"})
	await(t, "key-up", s.carrier.changes, func(down bool) bool { return !down })
	silent := time.Since(asked)
	await(t, "the confirmation", s.health, func(h *wirev1.Health) bool {
		return h.GetHush().GetNumber() == 1 && h.GetHushSilent() && !h.GetOnAir()
	})
	t.Logf("silent after %v, confirmed after %v", silent, time.Since(asked))
	if took := time.Since(asked); took > time.Second {
		t.Errorf("the hush was confirmed after %v", took)
	}
	await(t, "the outcome", s.records, ended(wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, "hushed"))
	await(t, "a hushed slot", s.records, ended(wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED, "hushed"))

	s.hush()
	await(t, "key-down after the release", s.carrier.changes, keyed)
	a.Stop()
	if down := lastOf(s.carrier.changes); down {
		t.Error("the key is down after the end")
	}
	s.start()
	await(t, "the new run", s.records, func(r *wirev1.Record) bool {
		return r.GetRunStarted() != nil && r.GetRunStarted().GetPreviousLastSeq() > 3
	})
	await(t, "key-down of the new run", s.carrier.changes, keyed)
	await(t, "a slot that the new run sent", s.records, ended(wirev1.OutcomeKind_OUTCOME_KIND_SENT, ""))
}

func lastOf(changes <-chan bool) (last bool) {
	for {
		select {
		case last = <-changes:
		default:
			return last
		}
	}
}

func TestAStopInMidTransmissionIsWrittenDown(t *testing.T) {
	s := newStation(t)
	a := s.start()
	s.order(1)
	await(t, "key-down", s.carrier.changes, keyed)
	await(t, "word of it", s.health, (*wirev1.Health).GetOnAir)
	began := time.Now()
	a.Stop()
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("to end took %v", took)
	}
	s.start()
	await(t, "the outcome", s.records, ended(wirev1.OutcomeKind_OUTCOME_KIND_ABORTED, "stopped"))
}

func TestAKeyerThatIsLostIsReplaced(t *testing.T) {
	s := newStation(t)
	var mu sync.Mutex
	var keyers []*process.Client
	keys, err := s.file.Keyring()
	if err != nil {
		t.Fatal(err)
	}
	a, err := New(Options{File: s.file, StartKeyer: func(ctx context.Context) (Keyer, error) {
		k := process.InMemory(ctx, process.Options{
			Config: keyer.Config{Network: address.Network, Beacon: address.Beacon, Keys: keys, SimulatedTransmitter: true},
			Dir:    s.file.Folder, Transmitter: s.carrier,
		})
		mu.Lock()
		defer mu.Unlock()
		keyers = append(keyers, k)
		return k, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(); err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	s.order(1)
	await(t, "key-down", s.carrier.changes, keyed)
	await(t, "word of it", s.health, (*wirev1.Health).GetOnAir)
	mu.Lock()
	first := keyers[0]
	mu.Unlock()
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	await(t, "the outcome", s.records, func(r *wirev1.Record) bool {
		return r.GetOutcome().GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_ABORTED
	})
	await(t, "a slot that the new keyer sent", s.records, ended(wirev1.OutcomeKind_OUTCOME_KIND_SENT, ""))
}

func TestWhatIsWrongWithTheOptionsIsSaid(t *testing.T) {
	s := newStation(t)
	s.file.Clock.Source = "sundial"
	if _, err := New(Options{File: s.file}); err == nil {
		t.Error("an unknown clock source is accepted")
	}
}

func TestKeeperWait(t *testing.T) {
	for failures, want := range map[int]time.Duration{0: 0, 1: time.Second, 3: 4 * time.Second, 100: 30 * time.Second} {
		if got := keeperWait(failures); got != want {
			t.Errorf("after %d failures: %v, want %v", failures, got, want)
		}
	}
}
