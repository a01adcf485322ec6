package keyer_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

const (
	network = "qnet"
	beacon  = "mill-hf"
	thisRun = "boot-1"

	local     = wirev1.Control_CONTROL_LOCAL
	remote    = wirev1.Control_CONTROL_REMOTE
	automatic = wirev1.Control_CONTROL_AUTOMATIC
	full      = wirev1.MessageKind_MESSAGE_KIND_FULL
	extended  = wirev1.MessageKind_MESSAGE_KIND_EXTENDED
	sent      = wirev1.OutcomeKind_OUTCOME_KIND_SENT
	skipped   = wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED
	aborted   = wirev1.OutcomeKind_OUTCOME_KIND_ABORTED
)

// noon is the start of slot 0 of the tests.
var (
	noon      = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	firstSlot = noon.Unix() / 120
)

func newSigner(fill byte) *seal.Signer {
	s, err := seal.NewSigner(bytes.NewReader(bytes.Repeat([]byte{fill}, 32)))
	if err != nil {
		panic(err)
	}
	return s
}

var coordinator, stranger = newSigner(1), newSigner(2)

// bench is a keyer on virtual time, with a disk, a transmitter and an agent
// that can each be broken.
type bench struct {
	t interface {
		Helper()
		Fatalf(string, ...any)
	}
	config keyer.Config
	core   *keyer.Core
	now    keyer.Instant

	// The agent.
	beat      *keyerv1.Heartbeat // nil: silent
	beatEvery time.Duration
	beatAt    time.Duration

	// The disk.
	onDisk   []byte
	diskErr  error
	holdDisk bool
	writing  [][]byte
	memory   keyer.Reason // the machine's: until it has no power

	// The transmitter.
	keyErr, toneErr, unkeyErr error
	examineErr                error
	holdUnkey, holdExamine    bool // the answers come later, if at all
	carrier                   bool
	edges                     []edge
	prepared                  []edge

	replies []*keyerv1.FromKeyer
	answers []*keyerv1.OperatorAnswer
	watch   func() // after each step
	hear    func(*keyerv1.Heartbeat)
	made    byte // nonces
}

// edge is what the transmitter was told.
type edge struct {
	at   time.Duration // boot
	what string
	hz   float64
}

func newBench(t interface {
	Helper()
	Fatalf(string, ...any)
},
) *bench {
	b := &bench{t: t, beatEvery: 50 * time.Millisecond, watch: func() {}, hear: func(*keyerv1.Heartbeat) {}}
	b.config = keyer.Config{
		Network: network, Beacon: beacon, Keys: seal.NewKeyring(coordinator.Public()), BootID: thisRun,
	}
	b.now = keyer.Instant{Wall: noon.Add(-30 * time.Second), Boot: 1000 * time.Second}
	b.beat = &keyerv1.Heartbeat{
		ClockErrorBoundNs: proto.Int64(1e6), FrequencyUncertaintyPpb: proto.Float64(100),
	}
	b.start()
	return b
}

// start is a new keyer process on what is on disk.
func (b *bench) start() {
	b.startWith(keyer.Persisted{State: b.onDisk, Tripped: b.memory})
}

func (b *bench) startWith(p keyer.Persisted) {
	b.carrier, b.writing = false, nil // power-on is mute
	core, actions := keyer.New(b.config, p, b.now)
	b.core = core
	b.feed(b.perform(actions))
	b.present(2 * time.Hour)
}

// reboot is a new boot of the machine: other boot id, boot clock from zero.
func (b *bench) reboot() {
	b.config.BootID += "x"
	b.now.Boot = 10 * time.Second
	b.memory = ""
	b.beatAt = 0
	b.start()
}

func (b *bench) step(e keyer.Event) { b.feed([]keyer.Event{e}) }

func (b *bench) feed(events []keyer.Event) {
	for len(events) > 0 {
		e := events[0]
		events = append(events[1:], b.perform(b.core.Step(b.now, e))...)
	}
	b.watch()
}

func (b *bench) perform(actions []keyer.Action) (events []keyer.Event) {
	for _, action := range actions {
		switch a := action.(type) {
		case keyer.Key:
			if b.carrier {
				b.t.Fatalf("keyed twice")
			}
			b.carrier = b.keyErr == nil
			b.edges = append(b.edges, edge{b.now.Boot, "key", a.Hz})
			events = append(events, keyer.Keyed{Err: b.keyErr})
		case keyer.Prepare:
			if b.carrier {
				b.t.Fatalf("relays would move under a carrier")
			}
			b.prepared = append(b.prepared, edge{b.now.Boot, "prepare", a.Hz})
		case keyer.Tone:
			if !b.carrier {
				b.t.Fatalf("a tone while the key is up")
			}
			b.edges = append(b.edges, edge{b.now.Boot, "tone", a.Hz})
			if b.toneErr != nil {
				events = append(events, keyer.TransmitterFault{Err: b.toneErr})
			}
		case keyer.Unkey:
			if b.unkeyErr == nil {
				b.carrier = false
			}
			b.edges = append(b.edges, edge{b.now.Boot, "unkey", 0})
			if !b.holdUnkey {
				events = append(events, keyer.Unkeyed{Err: b.unkeyErr})
			}
		case keyer.Persist:
			b.writing = append(b.writing, a.State)
			if len(b.writing) > 1 {
				b.t.Fatalf("a second write while one is under way")
			}
			if !b.holdDisk {
				events = append(events, b.write())
			}
		case keyer.Remember:
			b.memory = a.Tripped
		case keyer.Examine:
			if !b.holdExamine {
				events = append(events, keyer.Examined{Err: b.examineErr})
			}
		case keyer.Answer:
			b.answers = append(b.answers, a.Message)
		case keyer.Reply:
			wire, err := proto.Marshal(a.Message)
			if err != nil || len(wire) == 0 {
				b.t.Fatalf("a reply that can't travel: %v", err)
			}
			b.replies = append(b.replies, a.Message)
		}
	}
	return events
}

// present is an operator's word on being at the beacon.
func (b *bench) present(d time.Duration) { b.step(keyer.Presence{By: "warden", For: d}) }

// rearm is an operator's attempt to clear a trip.
func (b *bench) rearm() { b.step(keyer.Rearm{By: "warden", Why: "looked at it"}) }

// answered wants an operator's latest request to have been answered so.
func (b *bench) answered(want keyer.Reason) {
	b.t.Helper()
	if len(b.answers) == 0 || b.answers[len(b.answers)-1].GetRefusal() != string(want) {
		b.t.Fatalf("answers %v; the last should be %q", b.answers, want)
	}
}

// write finishes the write that is under way.
func (b *bench) write() keyer.Event {
	if b.diskErr == nil {
		b.onDisk = b.writing[0]
	}
	b.writing = nil
	return keyer.Stored{Err: b.diskErr}
}

// pass lets time pass, with heartbeats and ticks as the core wants them.
func (b *bench) pass(d time.Duration) {
	for end := b.now.Boot + d; b.now.Boot < end; {
		next := min(end, max(b.core.Next(), b.now.Boot+1))
		if b.beat != nil {
			next = min(next, max(b.beatAt, b.now.Boot))
		}
		b.skip(next - b.now.Boot)
		if b.beat != nil && b.now.Boot >= b.beatAt {
			b.beatAt = b.now.Boot + b.beatEvery
			b.hear(b.beat)
			b.say(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Heartbeat{Heartbeat: proto.CloneOf(b.beat)}})
			continue
		}
		b.step(keyer.Tick{})
	}
}

// skip moves both clocks without a step.
func (b *bench) skip(d time.Duration) {
	b.now.Boot += d
	b.now.Wall = b.now.Wall.Add(d)
}

// until lets time pass until an instant of the agent's true time.
func (b *bench) until(t time.Time) {
	b.t.Helper()
	d := t.Sub(b.trueTime())
	if d < 0 {
		b.t.Fatalf("it is %v already", b.trueTime())
	}
	b.pass(d)
}

func (b *bench) trueTime() time.Time {
	return b.now.Wall.Add(time.Duration(b.beat.GetWallOffsetNs()))
}

func (b *bench) say(m *keyerv1.ToKeyer) { b.step(keyer.FromAgent{Message: m}) }

// Messages of the coordinator.

func sealWith(s *seal.Signer, purpose seal.Purpose, m proto.Message) []byte {
	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		panic(err)
	}
	return s.Seal(purpose, network, beacon, payload)
}

func transmission(slot int64, more ...func(*wirev1.Transmission)) *wirev1.Transmission {
	t := &wirev1.Transmission{
		Slot: firstSlot + slot, Band: "40m", FrequencyMillihertz: 7040100_000, UncertaintyMillihertz: 5000,
		Message:      &wirev1.Message{Callsign: "Q1ABC", Locator: "JO62", PowerDbm: 30, Kind: full},
		DrivePercent: 50, Control: remote,
	}
	for _, change := range more {
		change(t)
	}
	return t
}

func orders(epoch, revision uint64, list ...*wirev1.Transmission) *wirev1.Orders {
	return &wirev1.Orders{
		LeastReader: 1, Network: network, Beacon: beacon, Epoch: epoch, Revision: revision, SlotSeconds: 120,
		FromSlot: firstSlot - 10, ToSlot: firstSlot + 1000, Transmissions: list,
	}
}

func envelope(number uint64, more ...func(*wirev1.Envelope)) *wirev1.Envelope {
	e := &wirev1.Envelope{
		LeastReader: 1, Network: network, Beacon: beacon, Number: number, Callsign: "Q1ABC", SlotSeconds: 120,
		Bands: []*wirev1.EnvelopeBand{
			{Band: "40m", Control: remote, MaxPowerDbm: 37, Segments: []*wirev1.Segment{{FromHz: 7040000, ToHz: 7040200, LimitDbm: 40}}},
			{Band: "20m", Control: automatic, MaxPowerDbm: 37, Segments: []*wirev1.Segment{{FromHz: 14097000, ToHz: 14097200, LimitDbm: 33}}},
			{Band: "10m", Control: local, MaxPowerDbm: 37, Segments: []*wirev1.Segment{{FromHz: 28126000, ToHz: 28126200, LimitDbm: 40}}},
		},
	}
	for _, change := range more {
		change(e)
	}
	return e
}

func hush(epoch, number uint64, bands ...string) *wirev1.Hush {
	h := &wirev1.Hush{Network: network, Beacon: beacon, Epoch: epoch, Number: number}
	for _, band := range bands {
		h.Scopes = append(h.Scopes, &wirev1.HushScope{Band: band, GivenFor: "beacon " + beacon, Reason: "a test"})
	}
	return h
}

func (b *bench) sendOrders(sealed []byte) *keyerv1.Verdict {
	b.t.Helper()
	return b.send(sealed, &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Orders{Orders: sealed}})
}

func (b *bench) sendEnvelope(sealed []byte) *keyerv1.Verdict {
	b.t.Helper()
	return b.send(sealed, &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Envelope{Envelope: sealed}})
}

func (b *bench) sendHush(sealed []byte) *keyerv1.Verdict {
	b.t.Helper()
	return b.send(sealed, &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Hush{Hush: sealed}})
}

func (b *bench) sendLease(sealed []byte) *keyerv1.Verdict {
	b.t.Helper()
	return b.send(sealed, &keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Lease{Lease: sealed}})
}

// send gives the verdict on a sealed message; nil: none yet.
func (b *bench) send(sealed []byte, m *keyerv1.ToKeyer) *keyerv1.Verdict {
	b.t.Helper()
	before := len(b.replies)
	b.say(m)
	var found *keyerv1.Verdict
	for _, reply := range b.replies[before:] {
		if v := reply.GetVerdict(); v != nil {
			if found != nil || !bytes.Equal(v.GetDigest(), sum(sealed)) {
				b.t.Fatalf("not exactly one verdict on what was sent")
			}
			found = v
		}
	}
	return found
}

// nonce asks for one.
func (b *bench) nonce() []byte {
	b.made++
	var value [16]byte
	binary.BigEndian.PutUint64(value[8:], uint64(b.now.Boot))
	value[0] = b.made
	b.step(keyer.NonceRequested{Nonce: value})
	return value[:]
}

func (b *bench) grant(nonce []byte, epoch uint64, terms ...*wirev1.LeaseTerm) *wirev1.LeaseGrant {
	return &wirev1.LeaseGrant{
		LeastReader: 1, Network: network, Beacon: beacon, Nonce: nonce, BootId: b.config.BootID, Epoch: epoch, Terms: terms,
	}
}

func term(c wirev1.Control, d time.Duration) *wirev1.LeaseTerm {
	return &wirev1.LeaseTerm{Control: c, TimeToLiveMs: d.Milliseconds()}
}

func allTerms() []*wirev1.LeaseTerm {
	return []*wirev1.LeaseTerm{term(local, 8*time.Hour), term(remote, 180*time.Second), term(automatic, 24*time.Hour)}
}

// lease renews the lease at once, for the longest that there is.
func (b *bench) lease(epoch uint64) {
	b.t.Helper()
	b.accepted(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), epoch, allTerms()...))))
}

func (b *bench) accepted(v *keyerv1.Verdict) {
	b.t.Helper()
	if v == nil || v.GetRefusal() != "" {
		b.t.Fatalf("verdict: %v", v)
	}
}

func (b *bench) refused(v *keyerv1.Verdict, want keyer.Reason) {
	b.t.Helper()
	if v.GetRefusal() != string(want) || v.GetSentence() == "" {
		b.t.Fatalf("verdict: %v, and it should be refused as %s", v, want)
	}
}

// ready is a keyer that has all it needs for some transmissions.
func ready(t interface {
	Helper()
	Fatalf(string, ...any)
}, list ...*wirev1.Transmission,
) *bench {
	b := newBench(t)
	b.pass(time.Second)
	b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))))
	b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, orders(10, 1, list...))))
	b.lease(10)
	return b
}

// permit permits a slot, and gives its end if that comes at once.
func (b *bench) permit(slot int64) *keyerv1.Ended { return b.permitUnder(slot, 10, 1) }

func (b *bench) permitUnder(slot int64, epoch, revision uint64) *keyerv1.Ended {
	before := len(b.replies)
	b.say(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Permit{Permit: &keyerv1.Permit{
		Slot: firstSlot + slot, Orders: &wirev1.OrdersNumber{Epoch: epoch, Revision: revision},
	}}})
	for _, reply := range b.replies[before:] {
		if m := reply.GetEnded(); m != nil {
			return m
		}
	}
	return nil
}

// ends lists how slots ended so far.
func (b *bench) ends() (all []*keyerv1.Ended) {
	for _, reply := range b.replies {
		if m := reply.GetEnded(); m != nil {
			all = append(all, m)
		}
	}
	return all
}

// ended wants exactly one end so far, of this kind and for this reason.
func (b *bench) ended(kind wirev1.OutcomeKind, reason keyer.Reason) *keyerv1.Ended {
	b.t.Helper()
	all := b.ends()
	if len(all) != 1 || all[0].GetKind() != kind || all[0].GetReason() != string(reason) {
		b.t.Fatalf("ends: %v; wanted one, %v %s", all, kind, reason)
	}
	if b.carrier {
		b.t.Fatalf("a carrier after the end")
	}
	return all[0]
}

// status is the latest.
func (b *bench) status() *keyerv1.Status {
	for i := len(b.replies) - 1; i >= 0; i-- {
		if s := b.replies[i].GetStatus(); s != nil {
			return s
		}
	}
	return nil
}

// onAir is ready, with slot 0 on the air for half a minute.
func onAir(t *testing.T, list ...*wirev1.Transmission) *bench {
	t.Helper()
	if len(list) == 0 {
		list = []*wirev1.Transmission{transmission(0)}
	}
	b := ready(t, list...)
	b.until(noon.Add(-5 * time.Second))
	b.lease(10)
	b.permit(0)
	b.until(noon.Add(30 * time.Second))
	if !b.carrier {
		t.Fatalf("not on the air: %v", b.ends())
	}
	return b
}

var errTest = errors.New("a fault that the test put in")
