package sim

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// oracle knows what was really said and really keyed, in true time, and judges
// each carrier by that alone. It shares no decision with the code under test.
type oracle struct {
	world      *world
	violations []Violation
	issued     map[string]*issuedOrders // by digest of their sealed form
	hushes     map[string]*wirev1.Hush
	grants     map[string]*wirev1.LeaseGrant
	devices    map[*device]*witness
	onAir      []*carrier
	carriers   []*carrier
	holders    map[string]holding // by beacon
	openings   map[openingKey]*fleet.Openings
	plansIn    int64 // the hour that plans are counted in
	plans      int
}

// Violation is a promise that was broken.
type Violation struct {
	Promise  string // its number
	Who      string
	At       time.Time // true time
	Sentence string
}

func (v Violation) String() string {
	return fmt.Sprintf("%s %s %s: %s", v.At.Format("2006-01-02T15:04:05.000"), v.Promise, v.Who, v.Sentence)
}

// issuedOrders are what the coordinator sealed for one beacon, and the fleet
// that was in force.
type issuedOrders struct {
	orders  *wirev1.Orders
	version int
}

// witness is what the oracle knows of one device.
type witness struct {
	orders  *issuedOrders                 // the latest that the keyer accepted
	latest  *wirev1.Hush                  // that it was given and did not refuse
	written *wirev1.Hush                  // that is on its disk
	told    map[lease.Number]*wirev1.Hush // all that it was given since
	nonces  map[string]time.Duration
	leased  map[wirev1.Control]time.Duration // the latest end of any lease granted in this boot
	numbers [3]lease.Number                  // of orders and hushes on the keyer's disk; of orders confirmed by the agent
	tripped bool
	ended   time.Duration // when its agent was last gone or stood still
	keyed   map[int64]bool
}

type holding struct {
	run, boot string
	heard     time.Duration
	rival     bool // another has asked since
}

type openingKey struct {
	version int
	day     int64
}

func newOracle(w *world) *oracle {
	return &oracle{
		world: w, issued: map[string]*issuedOrders{}, hushes: map[string]*wirev1.Hush{},
		grants: map[string]*wirev1.LeaseGrant{}, devices: map[*device]*witness{},
		holders: map[string]holding{}, openings: map[openingKey]*fleet.Openings{},
	}
}

func (o *oracle) of(d *device) *witness {
	w := o.devices[d]
	if w == nil {
		w = &witness{nonces: map[string]time.Duration{}, leased: map[wirev1.Control]time.Duration{}, told: map[lease.Number]*wirev1.Hush{}, keyed: map[int64]bool{}}
		o.devices[d] = w
	}
	return w
}

const mostViolations = 20

func (o *oracle) violated(promise, who, format string, args ...any) {
	if len(o.violations) < mostViolations {
		o.violations = append(o.violations, Violation{promise, who, o.world.time(), fmt.Sprintf(format, args...)})
	}
}

// sealed is told of all that the coordinators seal.
func (o *oracle) sealed(purpose seal.Purpose, payload, message []byte) {
	switch purpose {
	case seal.Orders:
		var m wirev1.Orders
		must(proto.Unmarshal(payload, &m))
		o.issued[digest(message)] = &issuedOrders{&m, o.world.version}
	case seal.Hush:
		var m wirev1.Hush
		must(proto.Unmarshal(payload, &m))
		o.hushes[string(message)] = &m
	case seal.Lease:
		var m wirev1.LeaseGrant
		must(proto.Unmarshal(payload, &m))
		o.grants[string(message)] = &m
	}
}

// decided is told of each answer to a request for a lease, as it is stored: it
// need not be sent, should the coordinator be killed just then.
// S13: while one device is heard, no other gets a lease.
func (o *oracle) decided(d *device, r lease.Request, decision lease.Decision) {
	holder := o.holders[r.Beacon]
	rival := holder.boot != "" && holder.boot != r.BootID && o.world.now-holder.heard < lease.Fresh-time.Second
	if rival {
		o.world.reach("a second device asks")
		if decision.Refusal == "" {
			o.violated("S13", d.label, "boot %s got a lease while boot %s was heard %v ago", r.BootID, holder.boot, o.world.now-holder.heard)
		}
		holder.rival = true
		o.holders[r.Beacon] = holder
	}
	if decision.Refusal != lease.ClonedIdentity && decision.Refusal != lease.OtherKernel {
		if holder.rival && holder.boot == r.BootID {
			o.violated("S13", d.label, "two devices have asked, and nobody is told")
		}
		o.holders[r.Beacon] = holding{run: r.Run, boot: r.BootID, heard: o.world.now}
	}
	if decision.Refusal != "" {
		o.world.reach("a lease refused: " + string(decision.Refusal))
	} else if decision.Sentence != "" {
		o.world.reach("a lease shortened")
	}
}

// replanned is told of each plan that is put in force. L: plans come to rest; one
// must not be followed by the next for ever.
func (o *oracle) replanned(c *coordinator) {
	const most = 130 // one each half minute, and some for fleet files
	hour := int64(o.world.now / time.Hour)
	if hour != o.plansIn {
		o.plansIn, o.plans = hour, 0
	}
	if o.plans++; o.plans == most {
		o.violated("L", c.name, "%d plans in an hour", o.plans)
	}
}

// toldOfTwo is told when people are told that two devices speak for a beacon.
func (o *oracle) toldOfTwo(beacon string) {
	holder := o.holders[beacon]
	holder.rival = false
	o.holders[beacon] = holder
}

// asks is told of each request for a lease, as it is sent.
func (o *oracle) asks(d *device, payload []byte) {
	var r wirev1.LeaseRequest
	must(proto.Unmarshal(payload, &r))
	w, n := o.of(d), lease.Number{Epoch: r.GetConfirmed().GetEpoch(), Revision: r.GetConfirmed().GetRevision()}
	if n.Compare(w.numbers[2]) < 0 {
		o.violated("S9", d.label, "confirms orders %v after %v", n, w.numbers[2])
	}
	w.numbers[2] = n
}

func (o *oracle) health(beacon string, h *wirev1.Health) {
	if holder := o.holders[beacon]; holder.run == h.GetRun() {
		holder.heard = o.world.now
		o.holders[beacon] = holder
	}
}

// nonce is told when a keyer makes one: there a lease counts from.
func (o *oracle) nonce(d *device, value [16]byte) {
	o.of(d).nonces[string(value[:])] = o.world.now
}

// received is told of what arrives at an agent. S6: one second later a hush that
// it was given must be obeyed.
func (o *oracle) received(d *device, kind topic.Kind, payload []byte) {
	if kind != topic.Hush || !d.alive() || d.keyer == nil {
		return
	}
	h := o.hushes[string(payload)]
	if h == nil {
		return
	}
	if c := o.carrierOf(d); c != nil && silences(h, c.ordered.GetBand()) {
		o.world.reach("stop during key-down")
		o.world.after(time.Second, func() {
			// Something newer may have come, and a jammed line is nobody's to end.
			if c.off == 0 && !c.beyond && o.hushed(d, c.ordered.GetBand()) {
				o.violated("S6", d.label, "on the air on %s a second after it was hushed", c.ordered.GetBand())
			}
		})
	}
}

// told is told of what a keyer is given.
func (o *oracle) told(d *device, m *keyerv1.ToKeyer) {
	w := o.of(d)
	switch body := m.GetBody().(type) {
	case *keyerv1.ToKeyer_Hush:
		if h := o.hushes[string(body.Hush)]; h != nil && h.GetBeacon() == d.name && more(h, w.latest) && more(h, w.written) {
			w.latest = h
			w.told[numberOf(h)] = h
		}
	case *keyerv1.ToKeyer_Lease:
		o.grant(w, d, body.Lease)
	}
}

func numberOf(h *wirev1.Hush) lease.Number {
	return lease.Number{Epoch: h.GetEpoch(), Revision: h.GetNumber()}
}

func more(h, than *wirev1.Hush) bool { return numberOf(h).Compare(numberOf(than)) > 0 }

// grant notes a lease that answers a nonce of this keyer, in this boot.
func (o *oracle) grant(w *witness, d *device, sealed []byte) {
	g := o.grants[string(sealed)]
	if g == nil {
		return
	}
	asked, ours := w.nonces[string(g.GetNonce())]
	if !ours || g.GetBootId() != d.machine.boot {
		o.world.reach("a lease for somebody else")
		return
	}
	for _, t := range g.GetTerms() {
		ttl := time.Duration(t.GetTimeToLiveMs()) * time.Millisecond
		w.leased[t.GetControl()] = max(w.leased[t.GetControl()], asked+ttl+time.Duration(100e-6*float64(ttl))+10*time.Millisecond)
	}
}

// leaseEnd is the latest that any lease granted in this boot allows. What the
// machine's clock may stray is allowed for.
func (o *oracle) leaseEnd(d *device, control wirev1.Control) time.Duration {
	return o.of(d).leased[control]
}

// said is told of what a keyer says.
func (o *oracle) said(d *device, m *keyerv1.FromKeyer) {
	w := o.of(d)
	switch body := m.GetBody().(type) {
	case *keyerv1.FromKeyer_Status:
		o.status(d, w, body.Status)
	case *keyerv1.FromKeyer_Verdict:
		if v := body.Verdict; v.GetKind() == "orders" && v.GetRefusal() == "" {
			switch issued := o.issued[string(v.GetDigest())]; {
			case issued == nil:
				o.violated("S1", d.label, "the keyer accepted orders that nobody wrote")
			case issued.orders.GetBeacon() != d.name:
				o.violated("S1", d.label, "the keyer accepted the orders of %s", issued.orders.GetBeacon())
			case number(issued.orders).Compare(number(w.current())) >= 0:
				w.orders = issued
			default:
				o.violated("S9", d.label, "the keyer accepted orders %v after %v", number(issued.orders), number(w.orders.orders))
			}
		} else if v.GetRefusal() != "" {
			o.world.reach("the keyer refuses: " + v.GetRefusal())
		}
	case *keyerv1.FromKeyer_Ended:
		if reason := body.Ended.GetReason(); reason != "" {
			o.world.reach("a slot ends: " + reason)
		} else {
			o.world.reach("a slot is sent whole")
		}
		if c := o.latestOf(d, body.Ended.GetSlot()); c != nil && body.Ended.GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SENT {
			c.complete = true
		}
	case *keyerv1.FromKeyer_OperatorAct:
		if body.OperatorAct.GetDid() == "rearmed" {
			o.world.reach("re-armed")
			w.tripped = false
		}
	}
}

func (w *witness) current() *wirev1.Orders {
	if w.orders == nil {
		return nil
	}
	return w.orders.orders
}

func number(o *wirev1.Orders) lease.Number {
	return lease.Number{Epoch: o.GetEpoch(), Revision: o.GetRevision()}
}

func (o *oracle) status(d *device, w *witness, s *keyerv1.Status) {
	if s.GetTripped() != "" && !w.tripped {
		w.tripped = true
		o.world.reach("tripped")
	}
	for i, n := range []lease.Number{
		{Epoch: s.GetOrders().GetEpoch(), Revision: s.GetOrders().GetRevision()},
		{Epoch: s.GetHush().GetEpoch(), Revision: s.GetHush().GetNumber()},
	} {
		if n.Compare(w.numbers[i]) < 0 {
			o.violated("S9", d.label, "the keyer holds %s %v after %v", []string{"orders", "hush"}[i], n, w.numbers[i])
		}
		w.numbers[i] = n
	}
	// The one before may have come to the disk just when the keyer ended.
	if h := w.told[w.numbers[1]]; h != nil {
		w.written = h
		maps.DeleteFunc(w.told, func(n lease.Number, _ *wirev1.Hush) bool { return n.Compare(w.numbers[1]) < 0 })
	}
	if w.latest != nil && !more(w.latest, w.written) {
		w.latest = nil
	}
}

// hushed says whether a band is to be silent at a device, by what it was given.
func (o *oracle) hushed(d *device, band string) bool {
	w := o.of(d)
	return silences(w.written, band) || silences(w.latest, band)
}

func silences(h *wirev1.Hush, band string) bool {
	return slices.ContainsFunc(h.GetScopes(), func(s *wirev1.HushScope) bool { return s.GetBand() == "" || s.GetBand() == band })
}

// keyerEnded, rebooted, booted, forgot, agentEnded and keyerStopped are told of
// lives and deaths.
func (o *oracle) keyerEnded(d *device) {
	o.of(d).latest = nil // what was not on disk is lost with the process
	o.mustFall(d, 200*time.Millisecond, "its keyer ended")
}

func (o *oracle) rebooted(d *device) {
	w := o.of(d)
	clear(w.leased)
	clear(w.nonces)
}

// booted is told of a machine that has power again. A trip that no disk took
// before has gone with it: nothing else outlives that.
func (o *oracle) booted(d *device) {
	w := o.of(d)
	if w.tripped && !trippedOnDisk(d.state) {
		o.world.reach("a trip that no disk took before the power went")
		w.tripped = false
	}
}

// trippedOnDisk says whether a keyer's state, a line and JSON behind it, tells of
// a trip.
func trippedOnDisk(state []byte) bool {
	_, body, _ := bytes.Cut(state, []byte("\n"))
	var f struct {
		Tripped string `json:"tripped"`
	}
	return json.Unmarshal(body, &f) == nil && f.Tripped != ""
}

// forgot is what a keyer that can't read its state has done. It trips.
func (o *oracle) forgot(d *device) {
	w := o.of(d)
	w.numbers, w.orders, w.written, w.latest = [3]lease.Number{}, nil, nil, nil
	w.tripped = true
}

func must(err error) {
	if err != nil {
		panic(err)
	}
}
