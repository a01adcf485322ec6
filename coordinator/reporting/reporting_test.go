package reporting_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/report/reporttest"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	"lamplighter/coordinator/zone"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

var locks = map[string]wirev1.Lock{"locked": wirev1.Lock_LOCK_LOCKED, "holdover": wirev1.Lock_LOCK_HOLDOVER, "none": wirev1.Lock_LOCK_NONE}

// network is a database with a fleet.
type network struct {
	*store.Store
	epoch uint64
	seqs  map[string]int64
}

func newNetwork(t testing.TB, yaml string) *network {
	t.Helper()
	s := storetest.New(t)
	f, err := fleet.Read("fleet.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.ApplyFleet(t.Context(), store.FleetVersion{Network: f.Network.ID, SlotSeconds: int64(f.Network.Slot), File: "fleet.yaml", YAML: yaml, AppliedBy: "test"}, 0); err != nil {
		t.Fatal(err)
	}
	session, err := s.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = session.Close(context.Background()) }()
	epoch, err := session.TakeLead(t.Context(), "test")
	if err != nil {
		t.Fatal(err)
	}
	return &network{s, epoch, map[string]int64{}}
}

func (n *network) exec(t testing.TB, sql string, args ...any) {
	t.Helper()
	conn, err := n.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if _, err := conn.Exec(t.Context(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

func (n *network) report(t testing.TB, q reporting.Request) *report.Report {
	t.Helper()
	reporter := reporting.Reporter{Store: n.Store, Fleets: store.NewFleets(n.Store)}
	r, err := reporter.Report(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// record is the next record of a beacon.
func (n *network) record(t testing.TB, beacon string, at time.Time, wire *wirev1.Record) store.Record {
	t.Helper()
	n.seqs[beacon]++
	wire.Boot, wire.Seq = fmt.Sprintf("%032x", 1), uint64(n.seqs[beacon])
	body, err := proto.Marshal(wire)
	if err != nil {
		t.Fatal(err)
	}
	digest := sha256.Sum256(body)
	return store.Record{
		RecordKey: store.RecordKey{Beacon: beacon, Boot: wire.Boot, Seq: n.seqs[beacon]}, RecordedDay: at.UTC().Truncate(24 * time.Hour),
		DeviceTime: &at, Body: body, Digest: digest[:],
	}
}

// bring stores what happened at a beacon, as its agent and the dispatch would.
func (n *network) bring(t testing.TB, b reporttest.Beacon) {
	t.Helper()
	var records []store.Record
	for _, s := range b.Samples {
		r := n.record(t, b.Name, s.At, &wirev1.Record{Body: &wirev1.Record_Health{Health: &wirev1.Health{
			Lock: locks[s.Lock], ClockErrorBoundNs: &s.ClockErrorNs, FrequencyUncertaintyPpb: &s.FrequencyPpb, OnAir: s.OnAir,
		}}})
		r.Kind = "health"
		records = append(records, r)
	}
	orders := store.Orders{Beacon: b.Name, Epoch: int64(n.epoch), Revision: 1, FromSlot: b.Slots[0].Start.Unix() / 120, ToSlot: math.MaxInt32, Payload: []byte{1}}
	for _, s := range b.Slots {
		slot := s.Start.Unix() / 120
		orders.Slots = append(orders.Slots, store.OrderedSlot{Slot: slot, StartAt: s.Start, Band: s.Band, FrequencyMillihertz: 7_040_100_000, UncertaintyMillihertz: 70, MessageKind: "full", Control: "remote"})
		if s.Ending == "unreported" {
			continue
		}
		keyed := s.Start.Add(time.Second)
		unkeyed := keyed.Add(s.Keyed)
		r := n.record(t, b.Name, s.Start, &wirev1.Record{Body: &wirev1.Record_Outcome{Outcome: &wirev1.Outcome{}}})
		r.Kind = "outcome"
		r.Outcome = &store.Outcome{
			Slot: slot, StartAt: &s.Start, Epoch: int64(n.epoch), Revision: 1, Band: s.Band, FrequencyMillihertz: 7_040_100_000,
			Callsign: "Q1TRN", Locator: "JO62", PowerDBm: 23, MessageKind: "full", Control: "remote", Kind: s.Ending, Reason: s.Reason,
		}
		if s.Keyed > 0 {
			r.Outcome.KeyedAt, r.Outcome.UnkeyedAt = &keyed, &unkeyed
		}
		records = append(records, r)
	}
	if err := n.AsLeader(t.Context(), n.epoch, func(ctx context.Context, tx *store.LeaderTx) error { return tx.SaveOrders(ctx, orders) }); err != nil {
		t.Fatal(err)
	}
	for group := range slices.Chunk(records, 4000) {
		if _, err := n.StoreReports(t.Context(), store.Reports{Records: group}); err != nil {
			t.Fatal(err)
		}
	}
}

// past is a whole week, so long ago that all slots of which nothing was heard are
// unreported.
func (n *network) past(t testing.TB) report.Period {
	t.Helper()
	now, err := n.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	berlin, err := zone.Load(reporttest.Zone)
	if err != nil {
		t.Fatal(err)
	}
	return report.WeekAt(now.AddDate(0, 0, -16), berlin)
}

// A week of 24 beacons, a sample a minute: stored as agents report it, rolled up
// by the database's coordinator, and told by the report, to the last transmission
// and minute.
func TestEveryFigureOfAStoredWeekIsTheTruth(t *testing.T) {
	n := newNetwork(t, reporttest.FleetYAML())
	p := n.past(t)
	w, err := reporttest.Generate(2, p.From, p.To, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range w.Beacons {
		n.bring(t, b)
	}
	n.exec(t, "update fleet_versions set applied_at = $1", p.From.AddDate(0, 0, -20))
	n.exec(t, "update memory set hours_seen = $1", p.From)
	r := n.report(t, reporting.Request{Week: p.Week})
	reporttest.Compare(t, w, p, r)
	if !r.CompleteTo.Equal(p.To) || !r.Over || r.Before == nil || r.Before.Ordered != 0 {
		t.Errorf("complete to %v of %v, over: %v, before: %+v", r.CompleteTo, p.To, r.Over, r.Before)
	}
	site := n.report(t, reporting.Request{Week: p.Week, Scope: fleet.Scope{Site: "mill"}})
	if len(site.Beacons) != 4 || site.Sent != int64(w.Sites["mill"].Slots["sent"]) || site.Figures.Heard != w.Sites["mill"].Heard() {
		t.Errorf("site mill: %d beacons, %d sent, heard in %d minutes", len(site.Beacons), site.Sent, site.Figures.Heard)
	}
}
