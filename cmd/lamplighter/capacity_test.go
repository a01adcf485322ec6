package main

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/planner"
)

// TestCapacity: five that want 0.2 each fill the one transmitter of a site, so
// a sixth would take a sixth of 720 slots away from them.
func TestCapacity(t *testing.T) {
	fleetFile := write(t, "fleet.yaml", crowd("0.2", "ann", "bea", "cat", "dee", "eve"))
	args := append([]string{"capacity", fleetFile}, wholeDay...)
	got := lamplighter(t, append(args, "--output", "csv")...)
	want := "kind,site,name,beacons,wanted,used,most,full_percent,cost\nband,,40m,5,720,720,720,100.0,120\nsite,hill,hill,5,720,720,720,100.0,120\n"
	if diff := cmp.Diff(want, got.stdout); got.code != 0 || diff != "" {
		t.Errorf("exit %d, said %q (-want +got)\n%s", got.code, got.stderr, diff)
	}
	got = lamplighter(t, append(args, "--output", "json")...)
	var rooms []planner.Room
	if err := json.Unmarshal([]byte(got.stdout), &rooms); err != nil || len(rooms) != 2 || rooms[1].Cost != 120 {
		t.Errorf("%v in %s", err, got.stdout)
	}
	if got = lamplighter(t, args...); !strings.Contains(got.stdout, "full percent") || !strings.Contains(got.stderr, "From 2026-12-01T00:00:00Z to 2026-12-02T00:00:00Z.") {
		t.Errorf("as a table it printed %q, said %q", got.stdout, got.stderr)
	}
}

// Without times it looks at a whole day to come.
func TestCapacityNeedsNoTimes(t *testing.T) {
	fleetFile := write(t, "fleet.yaml", crowd("0.2", "ann", "bea", "cat", "dee", "eve"))
	if got := lamplighter(t, "capacity", fleetFile); got.code != 0 || !strings.Contains(got.stdout, " 720 ") || strings.Count(got.stderr, "T00:00:00Z") != 2 {
		t.Errorf("exit %d, printed %q, said %q", got.code, got.stdout, got.stderr)
	}
	if got := lamplighter(t, "capacity", fleetFile, "--from", "2026-12-01T00:00:00Z", "--to", "2026-11-01T00:00:00Z"); got.code != 1 || !strings.Contains(got.stderr, "before it begins") {
		t.Errorf("times in the wrong order: exit %d, said %q", got.code, got.stderr)
	}
}
