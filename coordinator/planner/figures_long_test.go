//go:build long

package planner_test

import (
	"runtime"
	"testing"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestGradedFamily plans a day or a week of each network, as it is and
// oversubscribed three times, and logs the figures. Memory is that of the process,
// fleet and checker included.
func TestGradedFamily(t *testing.T) {
	for _, c := range []struct {
		name   string
		file   func() *testfleet.File
		days   int
		factor float64
	}{
		{"nation", testfleet.Nation, 1, 1},
		{"nation", testfleet.Nation, 1, 3},
		{"world", testfleet.World, 1, 1},
		{"world", testfleet.World, 1, 3},
		{"club", testfleet.Club, 7, 1},
		{"club", testfleet.Club, 7, 3},
		{"region", testfleet.Region, 7, 1},
		{"region", testfleet.Region, 7, 3},
		{"nation", testfleet.Nation, 7, 1},
		{"nation", testfleet.Nation, 7, 3},
		{"world", testfleet.World, 7, 1},
	} {
		in := planner.Input{Fleet: read(t, c.file().Oversubscribe(c.factor)), From: from, To: from.Add(time.Duration(c.days) * day)}
		begun := time.Now()
		p := makePlan(t, in)
		made := time.Since(begun)
		begun = time.Now()
		mustHold(t, in, p)
		checked := time.Since(begun)
		f := plan.Measure(in.Fleet, p, plan.Extra{})
		if c.factor == 1 && (f.Granted < f.Wanted || f.AirtimeDeviation > 1+1e-9 || f.BandDeviation >= 1) {
			t.Errorf("%s, which is feasible: %d of %d granted, airtime deviation %.3f, band deviation %.3f", c.name, f.Granted, f.Wanted, f.AirtimeDeviation, f.BandDeviation)
		}
		var memory runtime.MemStats
		runtime.ReadMemStats(&memory)
		if c.days == 1 && memory.Sys > 1<<30 {
			t.Errorf("%s ×%g: %d MiB of memory for a day, a GiB is allowed", c.name, c.factor, memory.Sys>>20)
		}
		mean := 0.0
		for _, b := range f.Beacons {
			mean += b.BandDeviation / float64(len(f.Beacons))
		}
		t.Logf("%s ×%g, %d d: %d of %d, Jain %.5f, airtime deviation %.3f, band deviation %.3f, in the mean %.3f, spread %+v, made in %v, checked in %v",
			c.name, c.factor, c.days, f.Granted, f.Wanted, f.Jain, f.AirtimeDeviation, f.BandDeviation, mean, f.Spread, made.Round(time.Millisecond), checked.Round(time.Millisecond))
	}
}
