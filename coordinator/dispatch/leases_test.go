package dispatch

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

func TestALeaseIsStoredBeforeItIsSent(t *testing.T) {
	b := newBench(t, twoNear)
	epoch, _ := b.lead()
	held := b.orders("hilltop-hf")
	var stored time.Time
	b.mu.Lock()
	b.check = func(m broker.Message) {
		if _, kind, _ := topic.Parse(m.Topic); kind == topic.Lease {
			stored, _ = b.d.LatestLeaseEnd(t.Context(), "hilltop-hf")
		}
	}
	b.mu.Unlock()
	before, err := b.store.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	r := request("hilltop-hf", held)
	g := b.granted(r)
	after, err := b.store.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(g.Nonce, r.Nonce) || g.BootId != r.BootId || g.Epoch != epoch || !proto.Equal(g.Confirmed, r.Confirmed) || g.Refusal != "" {
		t.Errorf("%+v", g)
	}
	if len(g.Terms) != 1 || g.Terms[0].Control != wirev1.Control_CONTROL_AUTOMATIC || g.Terms[0].TimeToLiveMs != (6*time.Hour).Milliseconds() {
		t.Errorf("terms %v", g.Terms)
	}
	if stored.Before(before.Add(6*time.Hour)) || stored.After(after.Add(6*time.Hour)) {
		t.Errorf("stored was %v, asked between %v and %v", stored, before, after)
	}
	entries, err := b.store.Ledger(t.Context(), "hilltop-hf", before.Add(-10*time.Minute), after.Add(25*time.Hour)) // the first slot may have begun by now, or be the next but one
	if err != nil || len(entries) != len(held.Transmissions) {
		t.Errorf("%d slots in the ledger, %d ordered, %v", len(entries), len(held.Transmissions), err)
	}
}

func TestWhoGetsNoLeaseIsTold(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	held := b.orders("mill-hf")
	for name, c := range map[string]struct {
		change func(*wirev1.LeaseRequest)
		want   string
	}{
		"orders never written": {func(r *wirev1.LeaseRequest) { r.Confirmed.Revision = 99 }, "never written here"},
		"an old reader":        {func(r *wirev1.LeaseRequest) { r.Reader = 0 }, "update it"},
		"an unknown beacon":    {func(r *wirev1.LeaseRequest) { r.Beacon = "harbour-hf" }, "no beacon harbour-hf"},
	} {
		r := request("mill-hf", held)
		c.change(r)
		if g := b.granted(r); !strings.Contains(g.Refusal, c.want) || len(g.Terms) != 0 {
			t.Errorf("%s: %+v", name, g)
		}
	}
	if end, err := b.d.LatestLeaseEnd(t.Context(), "mill-hf"); err != nil || !end.IsZero() {
		t.Errorf("a lease until %v, %v", end, err)
	}
	leases, err := b.store.Leases(t.Context())
	if err != nil || len(leases) != 1 {
		t.Errorf("%d beacons are remembered, %v: one that nobody knows must not be", len(leases), err)
	}
}

// S13.
func TestASecondDeviceGetsNoLeaseWhileTheFirstIsAlive(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	held := b.orders("mill-hf")
	b.granted(request("mill-hf", held))
	clone := request("mill-hf", nil)
	clone.BootId, clone.Run = "another kernel", strings.Repeat("f", 32)
	if g := b.granted(clone); !strings.Contains(g.Refusal, "another kernel") {
		t.Errorf("the second device: %+v", g)
	}
	if g := b.granted(request("mill-hf", held)); g.Refusal != "" || len(g.Terms) != 1 {
		t.Errorf("the first after that: %+v", g)
	}
	leases, err := b.store.Leases(t.Context())
	if err != nil || len(leases) != 1 || leases[0].Run != run || leases[0].HeldRevision != int64(held.Revision) {
		t.Errorf("%+v, %v: what the second says must not count", leases, err)
	}
	// Silent for a minute, the first no longer stands in the way.
	conn, err := b.store.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if _, err := conn.Exec(t.Context(), "update leases set heard_at = heard_at - interval '60 s'"); err != nil {
		t.Fatal(err)
	}
	if g := b.granted(clone); g.Refusal != "" {
		t.Errorf("a minute later: %+v", g)
	}
}

func TestWithoutTheLeadThereIsNoAnswer(t *testing.T) {
	b := newBench(t, twoNear)
	b.ask(request("mill-hf", nil))
	b.quiet(topic.Lease, "mill-hf")
}

func TestForgedRequestsAreDropped(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	b.orders("mill-hf")
	name := at("mill-hf").Topic(topic.LeaseRequest)
	b.deliver(name, []byte("garbage"))
	b.deliver(name, nil)
	b.deliver(name, make([]byte, 1<<10+1))
	b.deliver(at("mill-hf").Topic(topic.Health), mustMarshal(t, request("mill-hf", nil)))
	b.deliver("elsewhere", mustMarshal(t, request("mill-hf", nil)))
	b.deliver(at("hilltop-hf").Topic(topic.LeaseRequest), mustMarshal(t, request("mill-hf", nil)))
	b.deliver(topic.Address{Network: "other", Beacon: "mill-hf"}.Topic(topic.LeaseRequest), mustMarshal(t, request("mill-hf", nil)))
	for _, change := range map[string]func(*wirev1.LeaseRequest){
		"network": func(r *wirev1.LeaseRequest) { r.Network = "other" },
		"nonce":   func(r *wirev1.LeaseRequest) { r.Nonce = r.Nonce[:15] },
		"boot":    func(r *wirev1.LeaseRequest) { r.BootId = "" },
		"boot 2":  func(r *wirev1.LeaseRequest) { r.BootId = strings.Repeat("x", 65) },
		"boot 3":  func(r *wirev1.LeaseRequest) { r.BootId = "a\nb" },
		"run":     func(r *wirev1.LeaseRequest) { r.Run = "0123456789ABCDEF0123456789ABCDEF" },
		"run 2":   func(r *wirev1.LeaseRequest) { r.Run = r.Run[1:] },
		"orders":  func(r *wirev1.LeaseRequest) { r.Confirmed = &wirev1.OrdersNumber{Epoch: 1 << 63} },
	} {
		r := request("mill-hf", nil)
		change(r)
		b.deliver(name, mustMarshal(t, r))
	}
	b.quiet(topic.Lease, "mill-hf")
	if leases, err := b.store.Leases(t.Context()); err != nil || len(leases) != 0 {
		t.Errorf("%v, %v", leases, err)
	}
}

func mustMarshal(t testing.TB, m proto.Message) []byte {
	t.Helper()
	payload, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return payload
}

// Where the database is cut off in the middle of a lease, the lead is lost, and
// whoever had it has to be free to stand for election again.
func TestALostLeadEndsTheWaitForALease(t *testing.T) {
	s := storetest.Open(t, storetest.URL(t), store.Options{LockTimeout: time.Hour, StatementTimeout: time.Hour})
	b := newBenchOn(t, s, twoNear)
	_, end := b.lead()
	held := b.orders("hilltop-hf")
	b.orders("mill-hf")
	conn, err := s.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(t.Context())) })
	if _, err := conn.Exec(t.Context(), "set idle_in_transaction_session_timeout = 0; begin; select from leadership for update"); err != nil {
		t.Fatal(err)
	}
	payload, err := proto.Marshal(request("hilltop-hf", held))
	if err != nil {
		t.Fatal(err)
	}
	answered := make(chan struct{})
	go b.d.HandleLeaseRequest(t.Context(), broker.Delivery{
		Topic: at("hilltop-hf").Topic(topic.LeaseRequest), Payload: payload, Done: func() { close(answered) },
	})
	for waiting := false; !waiting; {
		err := conn.QueryRow(t.Context(), "select exists (select from pg_stat_activity where wait_event_type = 'Lock' and datname = current_database())").Scan(&waiting)
		if err != nil {
			t.Fatal(err)
		}
	}
	end()
	receive(t, answered)
}
