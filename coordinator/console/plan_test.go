package console

import (
	"testing"

	"lamplighter/coordinator/planner"
)

// TestFull says in a sentence what is overbooked.
func TestFull(t *testing.T) {
	page := planPage{Rooms: []planner.Room{
		{Kind: "site", Name: "mill", Beacons: 2, Wanted: 900, Most: 720},
		{Kind: "equipment", Site: "hilltop", Name: "antenna", Beacons: 6, Wanted: 936, Most: 720},
		{Kind: "band", Name: "40m", Beacons: 3, Wanted: 720, Most: 720},
		{Kind: "band", Name: "630m", Beacons: 1, Wanted: 1, Most: 0},
	}}
	want := []string{
		"Site mill is full: 2 beacons want 125 % of its room.",
		"Antenna at hilltop is full: 6 beacons want 130 % of its room.",
		"Band 630m has no room at all: 1 beacon wants 1 transmission.",
	}
	got := page.Full()
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || got[i] != want[i] {
			t.Fatalf("it says %q, want %q", got, want)
		}
	}
}
