//go:build long

package planner_test

import (
	"testing"

	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestVolume plans 1,000 random fleets that may use every rule, and 1,000
// crowded ones: no rule is broken, and nobody can be raised.
func TestVolume(t *testing.T) {
	tried := 0
	for seed := range uint64(2000) {
		file := testfleet.Random(seed / 2)
		if seed%2 == 1 {
			file = testfleet.Crowded(seed / 2)
		}
		in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}
		r := newRaiser(seed, in, makePlan(t, in))
		mustHold(t, in, r.plan)
		tried += r.mustFindNothing(t, 8)
	}
	t.Logf("1,000 fleets of each kind, %d tries", tried)
}
