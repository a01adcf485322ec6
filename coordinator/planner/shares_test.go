package planner

import (
	"testing"
	"time"

	"lamplighter/coordinator/planner/testfleet"
)

// TestAClosedBandHidesNoQuietShare: where a quiet share is all that bars a beacon on
// the band that is open, that is what bars it, in whatever order its bands come.
func TestAClosedBandHidesNoQuietShare(t *testing.T) {
	from := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	for open, closed := range map[string]string{"20m": "80m", "80m": "20m"} {
		beacon := func(name, call string, bands ...testfleet.Object) testfleet.Object {
			return testfleet.Object{"name": name, "callsign": call, "site": "mill", "power_dbm": 23, "share": 1, "control": "local", "bands": bands}
		}
		in := Input{From: from, To: from.Add(24 * time.Hour), Fleet: readFile(t, &testfleet.File{
			Network: testfleet.Object{"name": "Tern Valley"},
			Sites:   []testfleet.Object{{"name": "mill", "locator": "JO62qm", "quiet_share": 0.5, "transmitters_at_once": 2}},
			Beacons: []testfleet.Object{
				beacon("a", "Q0AA", testfleet.Object{"name": "40m"}),
				beacon("b", "Q0BB", testfleet.Object{"name": open}, testfleet.Object{"name": closed, "sun": "night"}),
			},
		})}
		b := newBoard(newModel(in))
		for t := range b.slots / 2 {
			b.put(0, t, 0, planned, 0)
		}
		l := newLeveller(b, []int{b.slots, b.slots})
		noon := 12 * 30 // slots of two minutes
		if got := l.barred(1, noon); got != LimitQuiet {
			t.Errorf("at noon, with %s open and %s closed: barred by %b, want %b", open, closed, got, LimitQuiet)
		}
	}
}
