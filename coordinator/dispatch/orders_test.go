package dispatch

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/plan"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

func TestTheFirstOrdersAreThePlan(t *testing.T) {
	b := newBench(t, twoNear)
	b.check = func(m broker.Message) { // S9, C4: stored before it is published
		address, kind, err := topic.Parse(m.Topic)
		if err != nil || kind != topic.Orders {
			return
		}
		payload, err := b.ring.Open(seal.Orders, address.Network, address.Beacon, m.Payload)
		if err != nil {
			t.Error(err)
			return
		}
		stored, err := b.store.LatestOrders(t.Context())
		if err != nil {
			t.Error(err)
			return
		}
		for _, o := range stored {
			if o.Beacon == address.Beacon && string(o.Payload) != string(payload) {
				t.Errorf("%s was published before it was stored", m.Topic)
			}
		}
	}
	epoch, _ := b.lead()
	ordered := map[string]*wirev1.Orders{}
	for _, beacon := range []string{"hilltop-hf", "mill-hf"} {
		o := b.orders(beacon)
		ordered[beacon] = o
		if o.Epoch != epoch || o.Revision != 1 || o.Network != "tern-valley" || o.Beacon != beacon || o.SlotSeconds != 120 || o.LeastReader != 1 {
			t.Errorf("%+v", o)
		}
		if len(o.Transmissions) < 200 { // half of 720 each, less what both can't have
			t.Errorf("%s has %d transmissions", beacon, len(o.Transmissions))
		}
	}
	p, err := b.store.CurrentPlan(t.Context())
	if err != nil || p == nil {
		t.Fatal(p, err)
	}
	if violations := plan.Check(readFleet(t, twoNear), p, plan.Extra{}); len(violations) > 0 {
		t.Errorf("the plan is wrong: %v", violations[0])
	}
	if reach := p.To.Sub(p.From); reach != 24*time.Hour {
		t.Errorf("the plan covers %v", reach)
	}
	compare(t, p, ordered)
}

// compare says where orders differ from a plan.
func compare(t *testing.T, p *plan.Plan, ordered map[string]*wirev1.Orders) {
	t.Helper()
	count := map[string]int{}
	for _, x := range p.Transmissions {
		o := ordered[x.Beacon]
		i := count[x.Beacon]
		count[x.Beacon]++
		if i >= len(o.Transmissions) {
			t.Fatalf("%s: the plan has more", x.Beacon)
		}
		got := o.Transmissions[i]
		want := &wirev1.Transmission{
			Slot: int64(slot.Standard.At(x.Start)), Band: x.Band, FrequencyMillihertz: int64(x.FrequencyHz*1000 + 0.5),
			UncertaintyMillihertz: 353, // 0.05e-6 · 7,040,100 Hz = 0.352 Hz, rounded up
			DrivePercent:          100, Message: &wirev1.Message{
				Callsign: map[string]string{"hilltop-hf": "Q0TRN", "mill-hf": "Q1TRN"}[x.Beacon],
				Locator:  "IP62", PowerDbm: 23, Kind: wirev1.MessageKind_MESSAGE_KIND_FULL,
			},
			Control: map[string]wirev1.Control{"hilltop-hf": wirev1.Control_CONTROL_AUTOMATIC, "mill-hf": wirev1.Control_CONTROL_REMOTE}[x.Beacon],
		}
		if off := got.FrequencyMillihertz - want.FrequencyMillihertz; off >= -2 && off <= 2 {
			want.FrequencyMillihertz = got.FrequencyMillihertz
		}
		if !proto.Equal(got, want) {
			t.Fatalf("%s, number %d:\n got %v\nwant %v", x.Beacon, i, got, want)
		}
		if got.Slot < o.FromSlot || got.Slot >= o.ToSlot {
			t.Errorf("slot %d lies outside of the orders", got.Slot)
		}
	}
	for beacon, o := range ordered {
		if count[beacon] != len(o.Transmissions) {
			t.Errorf("%s has %d transmissions, the plan %d", beacon, len(o.Transmissions), count[beacon])
		}
	}
}

func slots(o *wirev1.Orders) map[int64]bool {
	set := map[int64]bool{}
	for _, x := range o.GetTransmissions() {
		set[x.Slot] = true
	}
	return set
}

// S8, with the real store: a beacon that is new takes over slots of its
// neighbour, which wants fewer by now, and gets those that the neighbour may still obey only when
// it has confirmed that it gives them up.
func TestSlotsChangeHandsInTwoSteps(t *testing.T) {
	more, less := strings.Replace(oneOnly, "share: 0.5", "share: 0.9", 1), strings.Replace(twoNear, "share: 0.5", "share: 0.1", 1)
	b := newBench(t, more)
	b.lead()
	old := b.orders("hilltop-hf")
	g := b.granted(request("hilltop-hf", old))
	if g.Refusal != "" {
		t.Fatal(g.Refusal)
	}
	end, err := b.d.LatestLeaseEnd(t.Context(), "hilltop-hf")
	if err != nil {
		t.Fatal(err)
	}
	leased := int64(slot.Standard.At(end.Add(-time.Second))) // the last slot that starts before the end
	b.apply(less)
	fresh, first := b.orders("hilltop-hf"), b.orders("mill-hf")
	if fresh.Revision != old.Revision+1 || first.Revision != 1 {
		t.Errorf("revisions %d and %d", fresh.Revision, first.Revision)
	}
	held := slots(old)
	for n := range slots(first) {
		if held[n] && n <= leased {
			t.Fatalf("slot %d was given out while its owner may obey it", n)
		}
	}
	given := 0
	for n := range held {
		if n <= leased && !slots(fresh)[n] && n >= fresh.FromSlot {
			given++
		}
	}
	if given < 20 {
		t.Fatal("the old owner gives hardly anything up: the test shows nothing")
	}
	b.granted(request("hilltop-hf", fresh))
	second := b.orders("mill-hf")
	got := 0
	for n := range slots(second) {
		if held[n] && n <= leased {
			got++
		}
		if slots(fresh)[n] {
			t.Errorf("slot %d belongs to both", n)
		}
	}
	t.Logf("%d slots given up, %d taken over in the second step, %d before", given, got, len(slots(first)))
	if got < given/4 {
		t.Error("little was taken over after the confirmation")
	}
}

func TestABeaconThatIsGoneGetsEmptyOrdersAndNoLease(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	b.orders("hilltop-hf")
	held := b.orders("mill-hf")
	b.granted(request("mill-hf", held))
	b.apply(oneOnly)
	empty := b.orders("mill-hf")
	if len(empty.Transmissions) != 0 || empty.Revision != held.Revision+1 {
		t.Errorf("revision %d with %d transmissions", empty.Revision, len(empty.Transmissions))
	}
	g := b.granted(request("mill-hf", empty))
	if g.Refusal == "" || len(g.Terms) != 0 {
		t.Errorf("%+v", g)
	}
}

func TestANewLeaderTakesOverAndOutranks(t *testing.T) {
	b := newBench(t, twoNear)
	first, end := b.lead()
	before := b.orders("hilltop-hf")
	b.orders("mill-hf")
	b.granted(request("hilltop-hf", before))
	end()
	second, _ := b.lead()
	if second <= first {
		t.Fatalf("epoch %d after %d", second, first)
	}
	again := b.orders("hilltop-hf") // what was stored, as it was
	if !proto.Equal(again, before) {
		t.Errorf("republished %d.%d, stored was %d.%d", again.Epoch, again.Revision, before.Epoch, before.Revision)
	}
	next := b.orders("hilltop-hf")
	if next.Epoch != second || next.Revision != 1 {
		t.Errorf("then %d.%d", next.Epoch, next.Revision)
	}
	// The plan in force is kept, but for its end.
	kept, was := slots(next), slots(before)
	missing := 0
	for n := range was {
		if n >= next.FromSlot && !kept[n] {
			missing++
		}
	}
	if missing > len(was)/10 {
		t.Errorf("%d of %d slots are gone", missing, len(was))
	}
	// A beacon that holds the old orders keeps its lease.
	if g := b.granted(request("hilltop-hf", before)); g.Refusal != "" || g.Epoch != second {
		t.Errorf("%+v", g)
	}
}

func TestAllIsPublishedAgainWhenTheBrokerComesBack(t *testing.T) {
	b := newBench(t, twoNear)
	b.setAway(true)
	b.lead()
	given := b.give(HushOrder{Reason: "storm", By: "operator"})
	if len(given.Beacons) != 2 {
		t.Fatal(given)
	}
	b.untilOrdered()
	b.quiet(topic.Hush, "mill-hf")
	b.setAway(false)
	b.d.Republish()
	for _, beacon := range []string{"hilltop-hf", "mill-hf"} {
		if h := b.hush(beacon); len(h.Scopes) != 1 {
			t.Errorf("%+v", h)
		}
		if o := b.orders(beacon); o.Revision != 1 {
			t.Errorf("revision %d", o.Revision)
		}
	}
}

// untilOrdered waits until orders are stored.
func (b *bench) untilOrdered() {
	b.t.Helper()
	for deadline := time.Now().Add(60 * time.Second); time.Now().Before(deadline); {
		stored, err := b.store.LatestOrders(b.t.Context())
		if err != nil {
			b.t.Fatal(err)
		}
		if len(stored) > 0 {
			return
		}
	}
	b.t.Fatal("no orders after 60 s")
}
