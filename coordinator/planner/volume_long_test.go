//go:build long

package planner_test

import (
	"fmt"
	"testing"

	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestVolume plans 1,000 random fleets that may use every rule, and 1,000
// crowded ones, in pieces of 100 each: no rule is broken, and nobody can be raised.
func TestVolume(t *testing.T) {
	const pieces, each = 10, 100
	for piece := range uint64(pieces) {
		t.Run(fmt.Sprint(piece), func(t *testing.T) {
			tried := 0
			for seed := piece * each; seed < (piece+1)*each; seed++ {
				for i, file := range []*testfleet.File{testfleet.Random(seed), testfleet.Crowded(seed)} {
					in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}
					r := newRaiser(2*seed+uint64(i), in, makePlan(t, in))
					mustHold(t, in, r.plan)
					tried += r.mustFindNothing(t, 8)
				}
			}
			t.Logf("%d fleets of each kind, %d tries", each, tried)
		})
	}
}

// TestQuietVolumeAgainstSolver holds 120 fleets with quiet shares to the linear bound.
func TestQuietVolumeAgainstSolver(t *testing.T) { mustReach(t, testfleet.Quiet, upTo(120), quietReach) }
