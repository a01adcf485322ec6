package planner_test

import (
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// from is a Tuesday, so that a week meets every kind of day.
var from = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)

const day = 24 * time.Hour

func read(t testing.TB, file *testfleet.File) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Read("fleet.yaml", file.Text())
	if err != nil {
		t.Fatalf("the invented fleet can't be read: %v", err)
	}
	return f
}

func makePlan(t testing.TB, in planner.Input) *plan.Plan {
	t.Helper()
	p, err := planner.Make(in, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// mustHold fails when a plan breaks a rule.
func mustHold(t testing.TB, in planner.Input, p *plan.Plan) {
	t.Helper()
	found := plan.Check(in.Fleet, p, plan.Extra{History: in.History, Previous: in.Previous, Taken: in.Taken, Most: 5})
	for _, v := range found {
		t.Errorf("%s: %v", in.Fleet.Network.Name, v)
	}
}

// seeds is how many random fleets a test tries: a fiftieth with -short, for the
// race detector, which makes the planner about ten times as slow and has little to
// see where nothing runs beside anything.
func seeds(all uint64) uint64 {
	if testing.Short() {
		return (all + 49) / 50
	}
	return all
}

// days is how long a plan a test makes: a day with -short.
func days(all int) time.Duration {
	if testing.Short() {
		return day
	}
	return time.Duration(all) * day
}

// TestRandomFleets: whatever the fleet, no rule is broken.
func TestRandomFleets(t *testing.T) {
	for seed := range seeds(1000) {
		file := testfleet.Random(seed)
		in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}
		mustHold(t, in, makePlan(t, in))
		if t.Failed() {
			t.Fatalf("fleet %d:\n%s", seed, file.Text())
		}
	}
}
