//go:build long

package planner

import (
	"math"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/planner/testfleet"
)

// TestLeastLevel says how near the least level of oversubscribed networks that are
// too large for a linear program comes to a bound above it: at the level of all,
// those who share a site, equipment, a band that they can't do without, or all
// bands, would want more than there is.
func TestLeastLevel(t *testing.T) {
	from := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name string
		file *testfleet.File
	}{
		{"club", testfleet.Club()}, {"region", testfleet.Region()}, {"nation", testfleet.Nation()}, {"world", testfleet.World()},
	} {
		f, err := fleet.Read("fleet.yaml", c.file.Oversubscribe(3).Text())
		if err != nil {
			t.Fatal(err)
		}
		b, err := solve(Input{Fleet: f, From: from, To: from.Add(24 * time.Hour)}, nil)
		if err != nil {
			t.Fatal(err)
		}
		least, within, granted := math.Inf(1), math.Inf(1), 0
		for id := range b.beacons[:b.count] {
			if x := &b.beacons[id]; x.demand > 0 {
				most := float64(x.demand) * float64(x.priority) / micro
				least = min(least, float64(len(b.sent[id]))/most)
				within = min(within, float64(len(b.sent[id])+1)/most)
				granted += len(b.sent[id])
			}
		}
		bound := b.leastBound()
		t.Logf("%s ×3, 1 d: least level %.4f, with one transmission more %.4f, bound %.4f; %d granted", c.name, least, within, bound, granted)
		if least < 0.99*bound && within < bound {
			t.Errorf("%s ×3: the least level %.4f is more than a transmission below 0.99 of the bound %.4f", c.name, least, bound)
		}
	}
}

// leastBound is a level that not all can have at once, whatever the plan.
func (b *board) leastBound() float64 {
	highest := b.highest()
	free := make([]int64, b.count) // nobody has stopped
	for i := range free {
		free[i] = -1
	}
	least := highest
	empty := newBoard(b.model)
	for _, p := range empty.pools() {
		least = min(least, b.fullAt(&p, free, highest))
	}
	return float64(least+1) / float64(one)
}
