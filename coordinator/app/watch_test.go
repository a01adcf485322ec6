package app

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/deliver"
	"lamplighter/coordinator/dispatch"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// statements counts what the database is asked.
type statements struct{ atomic.Int64 }

func (s *statements) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	s.Add(1)
	return ctx
}

func (s *statements) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (s *statements) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}

func (s *statements) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) { s.Add(1) }
func (s *statements) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

// there is a broker that is connected.
type there struct{ broker.Broker }

func (there) Connected() bool                               { return true }
func (there) Publish(context.Context, broker.Message) error { return nil }

// crowd is a watcher of many beacons in a real database, one in a hundred of
// them without lock, as many with a lease, orders and a reason to look at more.
type crowd struct {
	t     testing.TB
	asked *statements
	w     *watcher
	exec  func(sql string, args ...any)
	names []string
}

func newCrowd(t testing.TB, beacons int) *crowd {
	t.Helper()
	c := &crowd{t: t, asked: &statements{}}
	s := storetest.Open(t, storetest.URL(t), store.Options{Tracer: c.asked})
	var sites, list strings.Builder
	for i := range beacons {
		if i%20 == 0 {
			fmt.Fprintf(&sites, "  - {name: site-%d, locator: JO62qm, time_zone: Etc/UTC, papers: [{what: permit, valid_to: 2090-01-01}]}\n", i/20)
		}
		name := fmt.Sprintf("b-%05d", i)
		c.names = append(c.names, name)
		fmt.Fprintf(&list, "  - {name: %s, site: site-%d, callsign: Q%d%c%c%c, control: automatic, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.05, bands: [10m], alert_limits: {supply_empty_volts: 10.5}}\n",
			name, i/20, i%10, 'A'+i/10%26, 'A'+i/260%26, 'A'+i/6760%26)
	}
	yaml := "network: {name: crowd}\nsites:\n" + sites.String() + "beacons:\n" + list.String() + "alerts: {recipients: [{name: ada, mail: ada@club.example}]}\n"
	if _, err := s.ApplyFleet(t.Context(), store.FleetVersion{Network: "crowd", SlotSeconds: 120, File: "f.yaml", YAML: yaml, AppliedBy: "test"}, 0); err != nil {
		t.Fatal(err)
	}
	session, err := s.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close(context.Background()) //nolint:errcheck // the epoch is taken
	epoch, err := session.TakeLead(t.Context(), "test")
	if err != nil {
		t.Fatal(err)
	}
	a := &App{store: s, fleets: store.NewFleets(s), dispatcher: &dispatch.Dispatcher{}, network: &network{broker: there{}}}
	a.delivery, err = deliver.New(deliver.Options{Store: s, Fleets: a.fleets, Publisher: there{}, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := s.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	c.exec = func(sql string, args ...any) {
		t.Helper()
		if _, err := conn.Exec(t.Context(), sql, args...); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	c.w = &watcher{app: a, epoch: epoch, since: now.Add(-time.Hour), connected: true, brokerSince: now.Add(-time.Hour), memory: alert.NewMemory(nil)}
	c.report()
	c.exec("insert into leases (beacon, run, boot_id, heard_at, held_epoch, held_revision, epoch, granted_at, expires_at) select beacon, '', '', now(), 0, 0, $1, now(), now() + interval '6 hours' from unnest($2::text[]) as k (beacon)", int64(epoch), c.names)
	c.exec("analyze")
	return c
}

// report has every beacon say how it is.
func (c *crowd) report() {
	c.t.Helper()
	var messages [][]byte
	for i := range c.names {
		h := &wirev1.Health{
			Lock: wirev1.Lock_LOCK_LOCKED, ClockErrorBoundNs: proto.Int64(1e6), FrequencyUncertaintyPpb: proto.Float64(1), Satellites: proto.Uint32(9),
			LockSinceUnixMs: proto.Int64(1_700_000_000_000), SilentInSeconds: proto.Uint64(45_000), SupplyVolts: proto.Float64(12.6), Version: "1.0",
			Network: "crowd", Beacon: c.names[i], Run: strings.Repeat("0", 32), ClockReason: "agreed", OutboxRecords: 3,
		}
		if i%100 == 7 {
			h.Lock = wirev1.Lock_LOCK_HOLDOVER
		}
		text, err := proto.Marshal(h)
		if err != nil {
			c.t.Fatal(err)
		}
		messages = append(messages, text)
	}
	c.exec(`insert into beacon_status (beacon, last_seen, health_at, health)
		select beacon, now() + interval '1 day', now() + interval '1 day', health from unnest($1::text[], $2::bytea[]) as k (beacon, health)
		on conflict (beacon) do update set last_seen = excluded.last_seen, health_at = excluded.health_at, health = excluded.health`, c.names, messages)
}

// look looks once, and counts what the database was asked.
func (c *crowd) look() int64 {
	c.t.Helper()
	before := c.asked.Load()
	if err := c.w.look(c.t.Context()); err != nil {
		c.t.Fatal(err)
	}
	return c.asked.Load() - before
}

// In steady state the database is asked as often for a thousand beacons as for
// ten, and also when one in a hundred begins to be told of, or everything is
// read that takes longer.
func TestTheDatabaseIsAskedAsOftenForAThousandBeaconsAsForTen(t *testing.T) {
	counts := map[int][4]int64{}
	for _, beacons := range []int{10, 1000} {
		c := newCrowd(t, beacons)
		first := c.look() // everything is read, pending alerts are stored
		for _, a := range c.w.memory.Alerts() {
			a.Changed = a.Changed.Add(-time.Hour)
		}
		told := c.look() // they are raised and told
		steady := c.look()
		for _, a := range c.w.memory.Alerts() {
			a.Said = a.Said.Add(-time.Hour)
		}
		refreshed := c.look() // their sentences are stored anew
		counts[beacons] = [4]int64{first, told, steady, refreshed}
		var messages int64
		list, err := c.w.app.store.AlertMessages(t.Context(), 1000)
		if err != nil {
			t.Fatal(err)
		}
		if messages = int64(len(list)); messages != int64(max(1, beacons/100)) {
			t.Errorf("%d beacons: %d messages", beacons, messages)
		}
	}
	t.Logf("statements at first, when told, in steady state, when refreshed: %v", counts[10])
	if counts[10] != counts[1000] {
		t.Errorf("%v statements for ten beacons, %v for a thousand", counts[10], counts[1000])
	}
}

// processor is the processor time of this process; the database's is its own.
func processor(b *testing.B) time.Duration {
	b.Helper()
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// BenchmarkLook is a whole look at 10,000 beacons in a real Postgres, of which
// one in a hundred is in trouble: read, decide, and nothing new to store. It is
// to take less than 100 ms.
func BenchmarkLook(b *testing.B) {
	c := newCrowd(b, 10_000)
	c.look()
	for _, a := range c.w.memory.Alerts() {
		a.Changed = a.Changed.Add(-time.Hour)
	}
	c.look()
	if n := len(c.w.memory.Alerts()); n != 100 {
		b.Fatalf("%d alerts", n)
	}
	var took []float64
	before, looks := processor(b), 0
	for b.Loop() {
		began := time.Now()
		c.look()
		took = append(took, float64(time.Since(began).Microseconds())/1000)
		looks++
	}
	slices.Sort(took)
	b.ReportMetric((processor(b)-before).Seconds()*1000/float64(looks), "ms-processor/op")
	b.ReportMetric(took[0], "ms-least")
	b.ReportMetric(took[len(took)/2], "ms-median")
}
