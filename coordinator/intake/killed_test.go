package intake

import (
	"context"
	"os"
	"slices"
	"syscall"
	"testing"
	"time"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/database"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// durable is a store on a server of its own that forgets nothing when killed.
func durable(t testing.TB) (*database.Server, *store.Store) {
	t.Helper()
	folder, err := os.MkdirTemp("", "lamplighter-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	if err := os.Chmod(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	server, err := database.Start(t.Context(), database.Options{Dir: folder})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := server.Stop(); err != nil {
			t.Error(err)
		}
	})
	s, err := store.Open(t.Context(), server.URL(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return server, s
}

// outbox is an agent as far as the intake can see: it sends the oldest of what
// is not receipted, again and again, and forgets only what a receipt covers.
type outbox struct {
	waiting []uint64
}

func (o *outbox) batch(t *testing.T) []byte {
	var records []*wirev1.Record
	for _, seq := range o.waiting[:min(20, len(o.waiting))] {
		records = append(records, wireRecord(1, seq))
	}
	return batch(t, "hilltop-hf", records...)
}

func (o *outbox) receipt(r *wirev1.Receipt) {
	o.waiting = slices.DeleteFunc(o.waiting, func(seq uint64) bool {
		return slices.ContainsFunc(r.GetRanges(), func(p *wirev1.ReceiptRange) bool {
			return p.GetFirstSeq() <= seq && seq <= p.GetLastSeq()
		})
	})
}

// await returns when a condition that nothing announces has come true.
func await(ctx context.Context, t *testing.T, what string, come func() bool) {
	t.Helper()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for !come() {
		select {
		case <-look.C:
		case <-ctx.Done():
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// The server is killed outright, again and again, while records stream in.
// Whatever the agent was told to forget is there, once.
func TestAServerThatIsKilledLosesAndDoublesNothing(t *testing.T) {
	server, s := durable(t)
	b := newBench(t, s)
	b.start(t)
	const records, kills = 600, 3
	var agent outbox
	for seq := uint64(1); seq <= records; seq++ {
		agent.waiting = append(agent.waiting, seq)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	killed := 0
	for len(agent.waiting) > 0 {
		// Sent twice without waiting for an answer, as after a lost connection.
		payload := agent.batch(t)
		for range 2 {
			delivery := broker.Delivery{Topic: topicOf("hilltop-hf", topic.Records), Payload: payload, Done: func() {}}
			if err := b.Handle(ctx, delivery); err != nil {
				t.Fatal(err)
			}
		}
		if done := records - len(agent.waiting); killed < kills && done > (killed+1)*records/(kills+2) {
			killed++
			victim := server.Process()
			if err := syscall.Kill(victim, syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			await(ctx, t, "a new server", func() bool { return server.Process() != victim })
		}
		select {
		case r := <-b.listener.receipts:
			agent.receipt(r)
		case <-ctx.Done():
			t.Fatalf("%d records wait for a receipt that does not come; the log says %s", len(agent.waiting), b.logs)
		}
	}
	// A session may outlive its server while it has work; the new server waits.
	await(ctx, t, "an answer", func() bool { return s.Ping(ctx) == nil })
	var rows, distinct, highest int
	ask(t, server.URL(), "select count(*), count(distinct seq), max(seq) from records", &rows, &distinct, &highest)
	if rows != records || distinct != records || highest != records {
		t.Errorf("%d rows, %d keys, highest %d, want %d", rows, distinct, highest, records)
	}
	if failures := b.count(t, "lamplighter_intake_database_failures_total", nil); failures < 1 {
		t.Error("no failure was counted: the kills hit nothing")
	}
}
