package core_test

import (
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// The world around one core: a coordinator's signature, a keyer that obeys, a
// disk that keeps what it was given, and a clock that only tests move.

var (
	address   = topic.Address{Network: "tern-valley", Beacon: "mill-hf"}
	signer    = mustSigner()
	stranger  = mustSigner()
	midnight  = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	buildDate = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
)

const bootStart = time.Hour

func mustSigner() *seal.Signer {
	s, err := seal.NewSigner(rand.Reader)
	if err != nil {
		panic(err)
	}
	return s
}

type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

type world struct {
	t     failer
	now   core.Instant
	runs  uint64
	core  *core.Core // nil: the agent is off
	disk  disk
	keyer fakeKeyer
	clock core.Reading
	mute  bool // the clock source says nothing

	waiting   []core.Event // answers of the disk that the core has not had yet
	slowDisk  bool         // answers wait until they are let through
	published []core.Publish
	toKeyer   []*keyerv1.ToKeyer
	logs      []string
	readAt    time.Duration
	grant     func(*wirev1.LeaseRequest) *wirev1.LeaseGrant // nil: nobody answers
	linkUp    bool
}

// disk is the outbox as a model.
type disk struct {
	full     bool
	run      string
	lastSeq  uint64
	saved    core.Saved
	intents  map[slot.Number]*wirev1.Outcome
	stored   []core.Stored // what is there
	all      []*wirev1.Record
	position int64
	deleted  map[core.Key]bool
	receipts map[core.Key]bool
	changes  []change // which orders were there, since when
}

type change struct {
	at     time.Time
	orders *wirev1.Orders
}

// fakeKeyer obeys whatever it is given, and keys each slot that it is permitted.
type fakeKeyer struct {
	off      bool
	status   *keyerv1.Status
	statusAt time.Duration
	left     map[wirev1.Control]time.Duration // boot time at which a lease ends
	permits  []*keyerv1.Permit
	keyed    map[int64]bool // slots that went on the air, ever
	nonces   uint64
	refuse   string        // every set of orders, with this reason
	deaf     bool          // takes orders in and says nothing
	hang     time.Duration // says nothing at all until then
	noEnd    bool          // never says how a slot ended
}

func newWorld(t failer) *world {
	ppb := 20.0
	w := &world{t: t, now: core.Instant{Wall: midnight, Boot: bootStart}, clock: core.Reading{
		Known: true, Bound: time.Millisecond, Lock: wirev1.Lock_LOCK_LOCKED, FrequencyPPB: &ppb,
	}}
	w.disk.intents = map[slot.Number]*wirev1.Outcome{}
	w.disk.deleted, w.disk.receipts = map[core.Key]bool{}, map[core.Key]bool{}
	w.keyer.keyed = map[int64]bool{}
	w.grant = allGrant(time.Minute * 3)
	return w
}

// allGrant answers every request with a lease for each kind of control.
func allGrant(ttl time.Duration) func(*wirev1.LeaseRequest) *wirev1.LeaseGrant {
	return func(r *wirev1.LeaseRequest) *wirev1.LeaseGrant {
		g := &wirev1.LeaseGrant{Network: address.Network, Beacon: address.Beacon, Nonce: r.GetNonce(), BootId: r.GetBootId(), Epoch: 1, Confirmed: r.GetConfirmed()}
		for _, control := range []wirev1.Control{wirev1.Control_CONTROL_REMOTE, wirev1.Control_CONTROL_AUTOMATIC} {
			g.Terms = append(g.Terms, &wirev1.LeaseTerm{Control: control, TimeToLiveMs: ttl.Milliseconds()})
		}
		return g
	}
}

func sealed(by *seal.Signer, purpose seal.Purpose, m proto.Message) []byte {
	raw, err := proto.Marshal(m)
	if err != nil {
		panic(err)
	}
	return by.Seal(purpose, address.Network, address.Beacon, raw)
}

func (w *world) config() core.Config {
	var run [16]byte
	binary.BigEndian.PutUint64(run[8:], w.runs)
	return core.Config{
		Address: address, Keys: seal.NewKeyring(signer.Public()), HealthEvery: 30 * time.Second,
		Envelope: sealed(signer, seal.Envelope, &wirev1.Envelope{Network: address.Network, Beacon: address.Beacon, Number: 7, SlotSeconds: 120}),
		Version:  "trial", BuildDate: buildDate, Run: hex.EncodeToString(run[:]), KernelBootID: "kernel-1",
	}
}

// start starts an agent and its keyer.
func (w *world) start() {
	w.t.Helper()
	w.runs++
	config := w.config()
	restored := core.Restored{
		PreviousBoot: w.disk.run, PreviousLastSeq: w.disk.lastSeq, Saved: w.disk.saved, Records: uint64(len(w.disk.stored)),
	}
	for n, o := range w.disk.intents {
		restored.Intents = append(restored.Intents, core.Intent{Slot: n, Outcome: proto.CloneOf(o)})
	}
	slices.SortFunc(restored.Intents, func(a, b core.Intent) int { return int(a.Slot - b.Slot) })
	c, actions, err := core.New(config, restored, w.now)
	if err != nil {
		w.t.Fatalf("start: %v", err)
	}
	w.core, w.waiting, w.readAt = c, nil, 0
	w.keyerStarts()
	w.carryOut(actions)
	w.advance(0)
}

// kill ends the agent, and its keyer with it, at once.
func (w *world) kill() {
	w.core, w.waiting, w.linkUp = nil, nil, false
	w.keyer.status, w.keyer.permits = nil, nil
}

func (w *world) keyerStarts() {
	if w.keyer.off {
		return
	}
	// Its disk outlives it.
	old := w.keyer.status
	w.keyer.status = &keyerv1.Status{HushSilent: true, Orders: old.GetOrders(), Hush: old.GetHush()}
	w.keyer.statusAt = 0
}

func (w *world) step(e core.Event) {
	if w.core == nil {
		return
	}
	w.carryOut(w.core.Step(w.now, e))
	if !w.slowDisk {
		w.settle()
	}
}

// settle lets the disk's answers through.
func (w *world) settle() {
	for len(w.waiting) > 0 && w.core != nil {
		e := w.waiting[0]
		w.waiting = w.waiting[1:]
		w.carryOut(w.core.Step(w.now, e))
	}
}

func (w *world) connect() {
	w.linkUp = true
	w.step(core.LinkUp{})
}

func (w *world) disconnect() {
	w.linkUp = false
	w.step(core.LinkDown{})
}

// advance lets time pass, with everything that happens meanwhile.
func (w *world) advance(d time.Duration) {
	end := w.now.Boot + d
	for {
		if w.core != nil {
			w.everySecond()
			w.runKeyer()
		}
		next := end
		if w.core != nil {
			for _, at := range []time.Duration{w.core.Next(), w.readAt + time.Second, w.keyerNext()} {
				if at > w.now.Boot {
					next = min(next, at)
				}
			}
		}
		if w.now.Boot >= end {
			return
		}
		w.now.Wall, w.now.Boot = w.now.Wall.Add(next-w.now.Boot), next
		w.step(core.Tick{})
	}
}

// until lets time pass until the clock shows t.
func (w *world) until(t time.Time) { w.advance(t.Sub(w.now.Wall)) }

func (w *world) everySecond() {
	if w.readAt != 0 && w.now.Boot < w.readAt+time.Second {
		return
	}
	w.readAt = w.now.Boot
	if !w.mute {
		w.step(core.ClockRead{Reading: w.clock})
	}
	w.say()
}

// say gives the keyer's status.
func (w *world) say() {
	if w.keyer.status == nil || w.now.Boot < w.keyer.hang {
		return
	}
	s := proto.CloneOf(w.keyer.status)
	for _, control := range []wirev1.Control{wirev1.Control_CONTROL_REMOTE, wirev1.Control_CONTROL_AUTOMATIC} {
		if left := w.keyer.left[control] - w.now.Boot; left > 0 {
			s.LeaseLeft = append(s.LeaseLeft, &wirev1.LeaseTerm{Control: control, TimeToLiveMs: left.Milliseconds()})
		}
	}
	w.step(core.KeyerSaid{Message: &keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Status{Status: s}}})
}

// from gives the world the keyer's message.
func (w *world) from(m *keyerv1.FromKeyer) { w.waiting = append(w.waiting, core.KeyerSaid{Message: m}) }

func (w *world) carryOut(actions []core.Action) {
	for _, a := range actions {
		switch a := a.(type) {
		case core.Publish:
			w.publish(a)
		case core.ToKeyer:
			w.hear(a.Message)
		case core.Commit:
			w.waiting = append(w.waiting, w.commit(a))
		case core.Fetch:
			w.waiting = append(w.waiting, w.fetch(a))
		case core.Delete:
			w.waiting = append(w.waiting, w.delete(a))
		case core.Log:
			w.logs = append(w.logs, a.Sentence)
		}
	}
}

func (w *world) publish(p core.Publish) {
	w.published = append(w.published, p)
	if p.Kind != topic.LeaseRequest || w.grant == nil {
		return
	}
	var r wirev1.LeaseRequest
	if err := proto.Unmarshal(p.Payload, &r); err != nil {
		w.t.Fatalf("a lease request can't be read: %v", err)
	}
	w.waiting = append(w.waiting, core.Message{Kind: topic.Lease, Payload: sealed(signer, seal.Lease, w.grant(&r))})
}
