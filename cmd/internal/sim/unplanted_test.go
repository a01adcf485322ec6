//go:build !planted

package sim

import (
	"testing"
	"time"
)

// The seeds that find planted bugs find nothing where none is planted.
func TestWithoutPlantedBugsTheirSeedsAreQuiet(t *testing.T) {
	played := map[[2]uint64]bool{}
	for _, bug := range bugs {
		key := [2]uint64{bug.seed, uint64(bug.hours)}
		if played[key] {
			continue
		}
		played[key] = true
		if testing.Short() && len(played) > 1 {
			break // the others in the full run
		}
		for _, v := range play(t, bug.seed, time.Duration(bug.hours)*time.Hour).Violations {
			t.Errorf("seed %d of %d h: %s", bug.seed, bug.hours, v)
		}
	}
}
