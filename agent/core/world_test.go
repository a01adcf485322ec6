package core_test

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
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

func (w *world) keyerNext() time.Duration {
	next := core.Never
	for _, p := range w.keyer.permits {
		next = min(next, w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(time.Second)),
			w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(112*time.Second)))
		if at := w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(time.Second)); w.now.Boot >= at {
			next = w.bootAt(slot.Standard.Start(slot.Number(p.GetSlot())).Add(112 * time.Second))
		}
	}
	return next
}

func (w *world) bootAt(t time.Time) time.Duration { return w.now.Boot + t.Sub(w.now.Wall) }

// runKeyer keys down and up what was permitted.
func (w *world) runKeyer() {
	for _, p := range slices.Clone(w.keyer.permits) {
		start := slot.Standard.Start(slot.Number(p.GetSlot()))
		if !w.now.Wall.Before(start.Add(time.Second)) && !w.keyer.status.GetKeyed() && w.now.Wall.Before(start.Add(112*time.Second)) {
			w.keyer.status.Keyed, w.keyer.keyed[p.GetSlot()] = true, true
			w.step(core.KeyerSaid{Message: &keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Keyed{Keyed: &keyerv1.Keyed{Slot: p.GetSlot(), KeyedUnixUs: w.now.Wall.UnixMicro()}}}})
		}
		if !w.now.Wall.Before(start.Add(112 * time.Second)) {
			w.end(p, wirev1.OutcomeKind_OUTCOME_KIND_SENT, "")
		}
	}
}

func (w *world) end(p *keyerv1.Permit, kind wirev1.OutcomeKind, reason string) {
	w.keyer.permits = slices.DeleteFunc(w.keyer.permits, func(q *keyerv1.Permit) bool { return q == p })
	w.keyer.status.Keyed = false
	if w.keyer.noEnd {
		return
	}
	up := w.now.Wall.UnixMicro()
	w.step(core.KeyerSaid{Message: &keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Ended{Ended: &keyerv1.Ended{
		Slot: p.GetSlot(), Orders: p.GetOrders(), Kind: kind, Reason: reason, UnkeyedUnixUs: &up, Symbols: 162,
	}}}})
}

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

func (w *world) hear(m *keyerv1.ToKeyer) {
	w.toKeyer = append(w.toKeyer, m)
	k := &w.keyer
	if k.status == nil || w.now.Boot < k.hang {
		return
	}
	switch body := m.GetBody().(type) {
	case *keyerv1.ToKeyer_Envelope:
		k.status.Envelope = 7
	case *keyerv1.ToKeyer_Orders:
		w.keyerOrders(body.Orders)
	case *keyerv1.ToKeyer_Hush:
		var h wirev1.Hush
		w.open(seal.Hush, body.Hush, &h)
		k.status.Hush = &wirev1.HushNumber{Epoch: h.GetEpoch(), Number: h.GetNumber()}
		k.status.Hushed = len(h.GetScopes()) > 0
		w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Status{Status: proto.CloneOf(k.status)}})
	case *keyerv1.ToKeyer_Lease:
		w.keyerLease(body.Lease)
	case *keyerv1.ToKeyer_NonceRequest:
		k.nonces++
		w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Nonce{Nonce: &keyerv1.Nonce{Nonce: binary.BigEndian.AppendUint64(nil, k.nonces), BootId: "kernel-1"}}})
	case *keyerv1.ToKeyer_Permit:
		if w.disk.intents[slot.Number(body.Permit.GetSlot())] == nil {
			w.t.Fatalf("slot %d was permitted without an intent on the disk", body.Permit.GetSlot())
		}
		k.permits = append(k.permits, body.Permit)
	case *keyerv1.ToKeyer_Stop:
		for _, p := range slices.Clone(k.permits) {
			kind := wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED
			if k.status.GetKeyed() {
				kind = wirev1.OutcomeKind_OUTCOME_KIND_ABORTED
			}
			w.keyer.permits = nil
			k.status.Keyed = false
			w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Ended{Ended: &keyerv1.Ended{Slot: p.GetSlot(), Orders: p.GetOrders(), Kind: kind, Reason: body.Stop.GetReason()}}})
		}
	}
}

func (w *world) keyerOrders(sealedOrders []byte) {
	sum := sha256.Sum256(sealedOrders)
	verdict := &keyerv1.Verdict{Kind: "orders", Digest: sum[:], Refusal: w.keyer.refuse, Sentence: "no"}
	if w.keyer.refuse == "" {
		var o wirev1.Orders
		w.open(seal.Orders, sealedOrders, &o)
		w.keyer.status.Orders = &wirev1.OrdersNumber{Epoch: o.GetEpoch(), Revision: o.GetRevision()}
	}
	if w.keyer.deaf {
		return
	}
	w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Verdict{Verdict: verdict}})
	w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Status{Status: proto.CloneOf(w.keyer.status)}})
}

func (w *world) keyerLease(sealedLease []byte) {
	var g wirev1.LeaseGrant
	w.open(seal.Lease, sealedLease, &g)
	verdict := &keyerv1.Verdict{Kind: "lease"}
	if len(g.GetTerms()) == 0 {
		verdict.Refusal = "nothing_granted"
	} else {
		w.keyer.left = map[wirev1.Control]time.Duration{}
	}
	for _, term := range g.GetTerms() {
		w.keyer.left[term.GetControl()] = w.now.Boot + time.Duration(term.GetTimeToLiveMs())*time.Millisecond
	}
	w.from(&keyerv1.FromKeyer{Body: &keyerv1.FromKeyer_Verdict{Verdict: verdict}})
	w.keyer.statusAt = 0
	w.readAt = 0 // it says so at once
}

func (w *world) open(purpose seal.Purpose, message []byte, into proto.Message) {
	payload, err := seal.NewKeyring(signer.Public()).Open(purpose, address.Network, address.Beacon, message)
	if err != nil {
		w.t.Fatalf("the keyer was given what it can't trust: %v", err)
	}
	if err := proto.Unmarshal(payload, into); err != nil {
		w.t.Fatalf("the keyer was given what it can't read: %v", err)
	}
}

func (w *world) commit(c core.Commit) core.Event {
	d := &w.disk
	if d.full {
		return core.CommitFailed{ID: c.ID, Sentence: "no room"}
	}
	run := w.config().Run
	if d.run != run {
		d.run, d.lastSeq = run, 0
	}
	for _, r := range c.Records {
		d.lastSeq++
		d.position++
		r = proto.CloneOf(r)
		r.Boot, r.Seq = run, d.lastSeq
		raw, err := proto.Marshal(r)
		if err != nil {
			w.t.Fatalf("record: %v", err)
		}
		d.all = append(d.all, r)
		d.stored = append(d.stored, core.Stored{Position: d.position, Key: core.Key{Boot: run, Seq: r.GetSeq()}, Bytes: raw})
	}
	for _, intent := range c.Open {
		d.intents[intent.Slot] = intent.Outcome
	}
	for _, n := range c.Close {
		delete(d.intents, n)
	}
	if string(d.saved.Orders) != string(c.Saved.Orders) {
		var o wirev1.Orders
		w.open(seal.Orders, c.Saved.Orders, &o)
		d.changes = append(d.changes, change{w.now.Wall, &o})
	}
	d.saved = c.Saved
	return core.Committed{ID: c.ID, Room: core.Room{Records: uint64(len(d.stored))}}
}

func (w *world) fetch(f core.Fetch) core.Event {
	answer := core.Fetched{After: f.After}
	for _, s := range w.disk.stored {
		if s.Position <= f.After {
			continue
		}
		if len(answer.Records) == f.MaxRecords {
			answer.More = true
			break
		}
		answer.Records = append(answer.Records, s)
	}
	return answer
}

func (w *world) delete(d core.Delete) core.Event {
	w.disk.stored = slices.DeleteFunc(w.disk.stored, func(s core.Stored) bool {
		for _, r := range d.Ranges {
			if r.GetBoot() == s.Key.Boot && r.GetFirstSeq() <= s.Key.Seq && s.Key.Seq <= r.GetLastSeq() {
				if !w.disk.receipts[s.Key] {
					w.t.Fatalf("record %v was deleted without a receipt", s.Key)
				}
				w.disk.deleted[s.Key] = true
				return true
			}
		}
		return false
	})
	return core.Deleted{Room: core.Room{Records: uint64(len(w.disk.stored))}}
}

// What tests say and look at.

type transmission func(*wirev1.Transmission)

func control(c wirev1.Control) transmission {
	return func(t *wirev1.Transmission) { t.Control = c }
}

// slotAt is the slot that starts this long after midnight.
func slotAt(d time.Duration) int64 { return int64(slot.Standard.At(midnight.Add(d))) }

// ordersFor makes orders with transmissions in the given slots.
func ordersFor(revision uint64, slots []int64, changes ...transmission) *wirev1.Orders {
	o := &wirev1.Orders{
		Network: address.Network, Beacon: address.Beacon, Epoch: 1, Revision: revision, LeastReader: 1,
		SlotSeconds: 120, FromSlot: slotAt(0), ToSlot: slotAt(24 * time.Hour),
	}
	for _, n := range slots {
		tx := &wirev1.Transmission{
			Slot: n, Band: "40m", FrequencyMillihertz: 7_040_100_000, UncertaintyMillihertz: 352,
			Message: &wirev1.Message{Callsign: "Q1ABC", Locator: "JO65", PowerDbm: 30}, DrivePercent: 80,
			Control: wirev1.Control_CONTROL_REMOTE,
		}
		for _, change := range changes {
			change(tx)
		}
		o.Transmissions = append(o.Transmissions, tx)
	}
	return o
}

func (w *world) order(o *wirev1.Orders) {
	w.step(core.Message{Kind: topic.Orders, Payload: sealed(signer, seal.Orders, o)})
}

func (w *world) hush(number uint64, bands ...string) {
	w.step(core.Message{Kind: topic.Hush, Payload: sealed(signer, seal.Hush, hushOf(number, bands...))})
}

func hushOf(number uint64, bands ...string) *wirev1.Hush {
	h := &wirev1.Hush{Network: address.Network, Beacon: address.Beacon, Epoch: 1, Number: number}
	for _, band := range bands {
		h.Scopes = append(h.Scopes, &wirev1.HushScope{Band: band, GivenFor: "beacon mill-hf", Reason: "trial", GivenBy: "warden"})
	}
	return h
}

func (w *world) outcomes() []*wirev1.Outcome {
	var list []*wirev1.Outcome
	for _, r := range w.disk.all {
		if o := r.GetOutcome(); o != nil {
			list = append(list, o)
		}
	}
	return list
}

// told are the outcomes in short: "slot kind reason", slots counted from midnight.
func (w *world) told() []string {
	var list []string
	for _, o := range w.outcomes() {
		list = append(list, fmt.Sprintf("%d %s", o.GetTransmission().GetSlot()-slotAt(0), short(o)))
	}
	return list
}

func short(o *wirev1.Outcome) string {
	kind := map[wirev1.OutcomeKind]string{1: "sent", 2: "skipped", 3: "aborted"}[o.GetKind()]
	if o.GetReason() != "" {
		kind += " " + o.GetReason()
	}
	return kind
}

func (w *world) events() []string {
	var list []string
	for _, r := range w.disk.all {
		if e := r.GetEvent(); e != nil {
			list = append(list, e.GetWhat())
		}
	}
	return list
}

func (w *world) count(kind topic.Kind) int {
	n := 0
	for _, p := range w.published {
		if p.Kind == kind {
			n++
		}
	}
	return n
}

// live is the latest live health.
func (w *world) live() *wirev1.Health {
	for _, p := range slices.Backward(w.published) {
		if p.Kind == topic.Health {
			var h wirev1.Health
			if err := proto.Unmarshal(p.Payload, &h); err != nil {
				w.t.Fatalf("health: %v", err)
			}
			return &h
		}
	}
	return &wirev1.Health{}
}

func (w *world) latestRequest() *wirev1.LeaseRequest {
	var r wirev1.LeaseRequest
	for _, p := range w.published {
		if p.Kind == topic.LeaseRequest {
			if err := proto.Unmarshal(p.Payload, &r); err != nil {
				w.t.Fatalf("lease request: %v", err)
			}
		}
	}
	return &r
}

// receipt says that everything up to seq of a run is stored.
func (w *world) receipt(boot string, first, last uint64) {
	for seq := first; seq <= last; seq++ {
		w.disk.receipts[core.Key{Boot: boot, Seq: seq}] = true
	}
	w.step(core.Message{Kind: topic.Receipts, Payload: sealed(signer, seal.Receipt, &wirev1.Receipt{
		Network: address.Network, Beacon: address.Beacon,
		Ranges: []*wirev1.ReceiptRange{{Boot: boot, FirstSeq: first, LastSeq: last}},
	})})
}

// sealedRaw signs any bytes for the purpose of a kind of message.
func sealedRaw(kind topic.Kind, payload []byte) []byte {
	purpose := map[topic.Kind]seal.Purpose{
		topic.Orders: seal.Orders, topic.Hush: seal.Hush, topic.Lease: seal.Lease, topic.Receipts: seal.Receipt,
	}[kind]
	return signer.Seal(purpose, address.Network, address.Beacon, payload)
}
