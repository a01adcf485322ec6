package store_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

func TestTransmissionsThatNoOrderCovers(t *testing.T) {
	l := newLedger(t)
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"), orderedSlot(l.n+1, "40m"))
	saveOrders(t, l.s, l.e, 2, l.n, orderedSlot(l.n+1, "40m"))
	l.report(l.n, 1, "sent", "") // withdrawn by the second, which the agent did not hold yet
	l.report(l.n+1, 2, "sent", "")
	l.report(l.n+2, 2, "skipped", "not_listed") // not sent, so nothing went out
	l.exec("update outcomes set keyed_at = start_at where kind = 'sent'")
	stray := func() *alert.Stray {
		t.Helper()
		seen, err := l.s.ObserveHistory(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return seen["mill-hf"].OffPlan
	}
	if got := stray(); got != nil {
		t.Errorf("%+v is covered", got)
	}
	l.report(l.n+3, 2, "sent", "") // never ordered
	l.exec("update outcomes set keyed_at = start_at where kind = 'sent'")
	if got := stray(); got == nil || got.At.Unix() != (l.n+3)*120 || got.Band != "40m" || got.Hz != 7_040_100 {
		t.Errorf("got %+v", got)
	}
}

func TestOrdersThatAreNotConfirmed(t *testing.T) {
	l := newLedger(t)
	since := func() time.Time {
		t.Helper()
		seen, err := l.s.ObserveHistory(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if seen["mill-hf"] == nil {
			return time.Time{}
		}
		return seen["mill-hf"].OrdersSince
	}
	saveOrders(t, l.s, l.e, 1, l.n, orderedSlot(l.n, "40m"))
	first := since()
	if first.IsZero() {
		t.Error("the first orders count as held")
	}
	saveOrders(t, l.s, l.e, 2, l.n)
	if got := since(); !got.Equal(first) {
		t.Errorf("since %s, want %s: newer orders do not make it younger", got, first)
	}
	confirm(t, l.s, l.e, 2)
	if got := since(); !got.IsZero() {
		t.Errorf("since %s, though it holds the latest", got)
	}
}

func TestSlotsMissedInARow(t *testing.T) {
	l := newLedger(t)
	for i, kind := range []string{"skipped", "sent", "skipped", "skipped"} {
		l.report(l.n+int64(i), 1, kind, map[string]string{"skipped": "late"}[kind])
	}
	l.report(l.n+4, 1, "skipped", "hushed") // is to be silent
	seen, err := l.s.ObserveHistory(t.Context())
	if err != nil || seen["mill-hf"].Missed != 2 || seen["mill-hf"].MissedReason != "late" {
		t.Errorf("%+v %v", seen["mill-hf"], err)
	}
}

// What is saved comes back as it was, and only from whoever leads.
func TestAlertsAreKeptWhole(t *testing.T) {
	s := storetest.New(t)
	epoch := takeLead(t, s)
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	a := &alert.Alert{
		Key: alert.Key{Code: alert.GPSLost, Site: "mill", Beacon: "mill-hf"}, State: alert.Raised, Bad: true, Changed: now, Since: now, RaisedAt: now,
		Begins: []time.Time{now}, Sentence: "It has no lock.", Heard: map[string]alert.Heard{"ada": {What: alert.Began, At: []time.Time{now}}},
	}
	save := func(epoch uint64) error {
		return s.AsLeader(t.Context(), epoch, func(ctx context.Context, tx *store.LeaderTx) error { return tx.SaveAlerts(ctx, []*alert.Alert{a}) })
	}
	if err := save(epoch); err != nil || a.Number == 0 {
		t.Fatalf("number %d, %v", a.Number, err)
	}
	if err := s.Acknowledge(t.Context(), a.Number, "ada", "on my way"); err != nil {
		t.Fatal(err)
	}
	open, err := s.OpenAlerts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]alert.Alert{*a}, open); diff != "" {
		t.Error(diff)
	}
	given, err := s.AlertsGiven(t.Context())
	if err != nil || given.Acknowledged[a.Number].Why != "on my way" {
		t.Errorf("%+v %v", given, err)
	}
	later := takeLead(t, s)
	a.Closed = true
	if err := save(epoch); !errors.Is(err, store.ErrDeposed) {
		t.Errorf("a deposed leader saved: %v", err)
	}
	if err := save(later); err != nil {
		t.Fatal(err)
	}
	if open, err = s.OpenAlerts(t.Context()); err != nil || len(open) != 0 {
		t.Errorf("%v %v", open, err)
	}
	if all, err := s.ListAlerts(t.Context(), true); err != nil || len(all) != 1 {
		t.Errorf("%v %v", all, err)
	}
}

func TestASilenceEnds(t *testing.T) {
	s := storetest.New(t)
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	allowed := func(alert.Silence) error { return nil }
	made, err := s.AddSilence(t.Context(), alert.Silence{Site: "mill", Owner: "ada", Reason: "mast work", Until: now.Add(time.Hour)}, allowed)
	if err != nil {
		t.Fatal(err)
	}
	if in, err := s.Silences(t.Context()); err != nil || len(in) != 1 || in[0].Number != made.Number {
		t.Errorf("%v %v", in, err)
	}
	for _, want := range []bool{true, false} {
		if ended, err := s.EndSilence(t.Context(), made.Number, "ada"); err != nil || ended != want {
			t.Errorf("%v %v, want %v", ended, err, want)
		}
	}
	if _, err := s.AddSilence(t.Context(), alert.Silence{Owner: "ada", Reason: "for ever", Until: now.Add(15 * 24 * time.Hour)}, allowed); err == nil {
		t.Error("the database took a silence of more than 14 days")
	}
}
