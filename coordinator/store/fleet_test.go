package store_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

const smallFleet = `network: {name: Tern Valley, id: tern}
sites: [{name: hilltop, locator: IN87oa, time_zone: Etc/UTC}]
beacons: [{name: hilltop-hf, callsign: Q0TRN, site: hilltop, control: remote, power_dbm: 23, share: %s, bands: [40m]}]
`

func version(share string) store.FleetVersion {
	return store.FleetVersion{Network: "tern", SlotSeconds: 120, File: "fleet.yaml", YAML: fmt.Sprintf(smallFleet, share), AppliedBy: "a test"}
}

func TestFleetVersionsFollowEachOther(t *testing.T) {
	s := storetest.New(t)
	if none, err := s.CurrentFleet(t.Context()); err != nil || none.Version != 0 {
		t.Fatalf("before the first file: %+v, %v", none, err)
	}
	before, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i, share := range []string{"0.1", "0.2", "0.3"} {
		applied, err := s.ApplyFleet(t.Context(), version(share), int64(i))
		if err != nil || applied.Version != int64(i+1) || applied.AppliedAt.Before(before) {
			t.Fatalf("file %d: %+v, %v", i+1, applied, err)
		}
		current, err := s.CurrentFleet(t.Context())
		if err != nil || current != applied {
			t.Errorf("in force is %+v, %v; want %+v", current, err, applied)
		}
	}
	again, err := s.ApplyFleet(t.Context(), version("0.3"), 0)
	if err != nil || again.Version != 3 {
		t.Errorf("the same file again: %+v, %v; want version 3 still", again, err)
	}
}

func TestFleetFilesThatMayNotFollow(t *testing.T) {
	s := storetest.New(t)
	for i, share := range []string{"0.1", "0.2"} {
		if _, err := s.ApplyFleet(t.Context(), version(share), int64(i)); err != nil {
			t.Fatal(err)
		}
	}
	other, short := version("0.3"), version("0.3")
	other.Network, short.SlotSeconds = "mill", 60
	for _, c := range []struct {
		name    string
		next    store.FleetVersion
		basedOn int64
		kind    fault.Kind
		field   string
	}{
		{"made from an older version", version("0.3"), 1, fault.Conflict, "based_on"},
		{"made from a version that never was", version("0.3"), 9, fault.Conflict, "based_on"},
		{"made as if none were in force", version("0.3"), 0, fault.Conflict, "based_on"},
		{"of another network", other, 0, fault.Refused, "network.id"},
		{"with other slots", short, 2, fault.Refused, "network.slot_seconds"},
	} {
		_, err := s.ApplyFleet(t.Context(), c.next, c.basedOn)
		if err == nil || fault.Of(err) != c.kind || fault.Field(err) != c.field {
			t.Errorf("%s: %v (%s, field %q); want %s, field %q", c.name, err, fault.Of(err), fault.Field(err), c.kind, c.field)
		}
		if current, err := s.CurrentFleet(t.Context()); err != nil || current.Version != 2 {
			t.Fatalf("%s: in force is version %d, %v", c.name, current.Version, err)
		}
	}
}

func TestOneOfManyChangesFromTheSameVersionWins(t *testing.T) {
	s := storetest.New(t)
	if _, err := s.ApplyFleet(t.Context(), version("0.1"), 0); err != nil {
		t.Fatal(err)
	}
	const many = 8
	errs := make([]error, many)
	var at sync.WaitGroup
	for i := range many {
		at.Go(func() { _, errs[i] = s.ApplyFleet(t.Context(), version(fmt.Sprintf("0.2%d", i)), 1) })
	}
	at.Wait()
	won := 0
	for _, err := range errs {
		switch {
		case err == nil:
			won++
		case fault.Of(err) != fault.Conflict:
			t.Errorf("lost by %v, want a conflict", err)
		}
	}
	if current, err := s.CurrentFleet(t.Context()); won != 1 || err != nil || current.Version != 2 {
		t.Errorf("%d won, version %d is in force, %v", won, current.Version, err)
	}
}

func TestFleetsAreReadOnceForEachVersion(t *testing.T) {
	s := storetest.New(t)
	fleets := store.NewFleets(s)
	if f, v, err := fleets.Current(t.Context()); f != nil || v.Version != 0 || err != nil {
		t.Fatalf("before the first file: %v, %d, %v", f, v.Version, err)
	}
	if _, err := s.ApplyFleet(t.Context(), version("0.1"), 0); err != nil {
		t.Fatal(err)
	}
	first, v, err := fleets.Current(t.Context())
	if err != nil || v.Version != 1 || first.Beacon("hilltop-hf").Share.String() != "0.1" {
		t.Fatalf("version %d, %v", v.Version, err)
	}
	if same, _, err := fleets.Current(t.Context()); err != nil || same != first {
		t.Errorf("it was read twice, %v", err)
	}
	if _, err := s.ApplyFleet(t.Context(), version("0.2"), store.Whatever); err != nil {
		t.Fatal(err)
	}
	if next, v, err := fleets.Current(t.Context()); err != nil || v.Version != 2 || next.Beacon("hilltop-hf").Share.String() != "0.2" {
		t.Errorf("version %d, %v", v.Version, err)
	}
}

// lead makes this test the leader and gives its epoch.
func lead(t *testing.T, s *store.Store) uint64 {
	t.Helper()
	election, err := s.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	epoch, err := election.TakeLead(t.Context(), "a test")
	if err != nil {
		t.Fatal(err)
	}
	if err := election.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	return epoch
}

func TestOnlyTheLeadersPlanCounts(t *testing.T) {
	s := storetest.New(t)
	if p, err := s.CurrentPlan(t.Context()); p != nil || err != nil {
		t.Fatalf("before the first plan: %v, %v", p, err)
	}
	if _, err := s.ApplyFleet(t.Context(), version("0.1"), 0); err != nil {
		t.Fatal(err)
	}
	made := func(day int) *plan.Plan {
		from := time.Date(2026, 12, day, 0, 0, 0, 0, time.UTC)
		return &plan.Plan{Network: "Tern Valley", From: from, To: from.Add(24 * time.Hour), SlotSeconds: 120}
	}
	old := lead(t, s)
	present := lead(t, s)
	if err := s.SavePlan(t.Context(), present, 1, made(1)); err != nil {
		t.Fatal(err)
	}
	if err := s.SavePlan(t.Context(), old, 1, made(2)); !errors.Is(err, store.ErrDeposed) {
		t.Errorf("the plan of a deposed leader: %v, want %v", err, store.ErrDeposed)
	}
	current, err := s.CurrentPlan(t.Context())
	if err != nil || !current.From.Equal(made(1).From) {
		t.Errorf("in force is %+v, %v", current, err)
	}
	saved, err := s.LatestPlan(t.Context())
	if err != nil || saved.FleetVersion != 1 || !strings.Contains(string(saved.JSON), `"Tern Valley"`) {
		t.Errorf("saved is %+v, %v", saved, err)
	}
}
