//go:build planted

package sim

import (
	"flag"
	"testing"
	"time"

	"lamplighter/proto/planted"
)

var search = flag.Int("search", 0, "look for the first seed up to this one that finds each bug, instead of playing the one that is known")

// Each planted bug is found by its seed.
func TestPlantedBugsAreFound(t *testing.T) {
	for _, bug := range bugs {
		t.Run(bug.name, func(t *testing.T) {
			planted.Choose(bug.name)
			defer planted.Choose("")
			first, last := bug.seed, bug.seed
			if *search > 0 {
				first, last = 1, uint64(*search)
			}
			for seed := first; seed <= last; seed++ {
				if r := play(t, seed, time.Duration(bug.hours)*time.Hour); len(r.Violations) > 0 {
					t.Logf("seed %d of %d h: %s", seed, bug.hours, r.Violations[0])
					return
				}
			}
			t.Errorf("seeds %d to %d see nothing", first, last)
		})
	}
}
