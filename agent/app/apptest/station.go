// Package apptest is what an agent's tests need around it: a real broker on
// loopback, and behind it a coordinator that grants every lease and gives a
// receipt for every record.
package apptest

import (
	"crypto/rand"
	"log/slog"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/setup"
	"lamplighter/proto/topic"
)

// patience is how long Await waits for what must come.
const patience = 30 * time.Second

// Length is that of the slots here: a trial's, since nothing real is keyed.
const Length slot.Length = 2

// Address is the beacon's.
var Address = topic.Address{Network: "tern-valley", Beacon: "mill-hf"}

// Station is a beacon with a coordinator that answers for it.
type Station struct {
	t      *testing.T
	signer *seal.Signer
	server *mochi.Server
	File   *setup.File // the agent's configuration
	// Health and Records are what the agent says, in its order.
	Health  chan *wirev1.Health
	Records chan *wirev1.Record

	hushes uint64
}

// New starts a broker and a coordinator, for an agent whose folder and
// configuration belong to the test.
func New(t *testing.T) *Station {
	t.Helper()
	signer, err := seal.NewSigner(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s := &Station{
		t: t, signer: signer, Health: make(chan *wirev1.Health, 1000), Records: make(chan *wirev1.Record, 1000),
	}
	at := s.startBroker()
	s.File = &setup.File{
		Network: Address.Network, Site: "mill", Beacon: Address.Beacon, Broker: "tcp://" + at, Folder: t.TempDir(), HealthSeconds: 1,
		Clock:          setup.Clock{Source: "simulated", BoundMS: 1},
		Transmitter:    setup.Transmitter{Driver: "simulated", UncertaintyPPB: 10},
		CoordinatorKey: setup.CoordinatorKey{ID: signer.Public().ID(), Public: signer.Public().String()},
	}
	s.File.SetEnvelope(s.sealed(seal.Envelope, &wirev1.Envelope{
		Network: Address.Network, Beacon: Address.Beacon, Number: 1, Callsign: "Q1ABC", Locator: "JO65", SlotSeconds: uint32(Length),
		Bands: []*wirev1.EnvelopeBand{{
			Band: "40m", Control: wirev1.Control_CONTROL_REMOTE, MaxPowerDbm: 37,
			Segments: []*wirev1.Segment{{FromHz: 7_000_000, ToHz: 7_200_000, LimitDbm: 37}},
		}},
	}))
	return s
}

func (s *Station) startBroker() string {
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
		err := s.server.Subscribe(Address.Topic(kind), id, func(_ *mochi.Client, _ packets.Subscription, p packets.Packet) { s.hear(kind, p.Payload) })
		if err != nil {
			s.t.Fatal(err)
		}
	}
	return listener.Address()
}

func (s *Station) sealed(purpose seal.Purpose, m proto.Message) []byte {
	raw, err := proto.Marshal(m)
	if err != nil {
		s.t.Error(err)
	}
	return s.signer.Seal(purpose, Address.Network, Address.Beacon, raw)
}

func (s *Station) say(kind topic.Kind, purpose seal.Purpose, m proto.Message) {
	if err := s.server.Publish(Address.Topic(kind), s.sealed(purpose, m), kind.Retained(), 1); err != nil {
		s.t.Error(err)
	}
}

// hear is the coordinator: it grants every lease, and stores every record.
func (s *Station) hear(kind topic.Kind, payload []byte) {
	switch kind {
	case topic.LeaseRequest:
		var r wirev1.LeaseRequest
		s.read(payload, &r)
		s.say(topic.Lease, seal.Lease, &wirev1.LeaseGrant{
			Network: Address.Network, Beacon: Address.Beacon, Nonce: r.GetNonce(), BootId: r.GetBootId(), Epoch: 1, Confirmed: r.GetConfirmed(),
			Terms: []*wirev1.LeaseTerm{{Control: wirev1.Control_CONTROL_REMOTE, TimeToLiveMs: 180_000}},
		})
	case topic.Health:
		h := &wirev1.Health{}
		s.read(payload, h)
		s.Health <- h
	case topic.Records:
		var b wirev1.RecordBatch
		s.read(payload, &b)
		receipt := &wirev1.Receipt{Network: Address.Network, Beacon: Address.Beacon}
		for _, raw := range b.GetRecords() {
			r := &wirev1.Record{}
			s.read(raw, r)
			receipt.Ranges = append(receipt.Ranges, &wirev1.ReceiptRange{Boot: r.GetBoot(), FirstSeq: r.GetSeq(), LastSeq: r.GetSeq()})
			s.Records <- r
		}
		s.say(topic.Receipts, seal.Receipt, receipt)
	}
}

func (s *Station) read(payload []byte, into proto.Message) {
	if err := proto.Unmarshal(payload, into); err != nil {
		s.t.Error(err)
	}
}

// Order orders every slot from the one after next on.
func (s *Station) Order(revision uint64) {
	now := int64(Length.At(time.Now()))
	o := &wirev1.Orders{
		LeastReader: 1, Network: Address.Network, Beacon: Address.Beacon, Epoch: 1, Revision: revision,
		IssuedUnixMs: time.Now().UnixMilli(), SlotSeconds: uint32(Length), FromSlot: now, ToSlot: now + 100,
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

// Hush says what is silent from now on; nothing says nothing.
func (s *Station) Hush(scopes ...*wirev1.HushScope) {
	s.hushes++
	s.say(topic.Hush, seal.Hush, &wirev1.Hush{Network: Address.Network, Beacon: Address.Beacon, Epoch: 1, Number: s.hushes, Scopes: scopes})
}

// Await takes from a channel until something is right.
func Await[T any](t *testing.T, what string, from <-chan T, right func(T) bool) T {
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

// Ended picks the record of a slot that ended in a certain way.
func Ended(kind wirev1.OutcomeKind, reason string) func(*wirev1.Record) bool {
	return func(r *wirev1.Record) bool {
		return r.GetOutcome() != nil && r.GetOutcome().GetKind() == kind && r.GetOutcome().GetReason() == reason
	}
}
