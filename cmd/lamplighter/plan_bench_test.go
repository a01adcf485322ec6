package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"lamplighter/coordinator/planner/testfleet"
)

// BenchmarkPlanCommand runs whole commands, file in, file out, over a day, and
// reports how long planning takes in relation to checking the same plan.
func BenchmarkPlanCommand(b *testing.B) {
	for _, c := range []struct {
		name string
		file *testfleet.File
	}{
		{"club", testfleet.Club()},
		{"region", testfleet.Region()},
		{"nation", testfleet.Nation()},
		{"nation-x3", testfleet.Nation().Oversubscribe(3)},
		{"world", testfleet.World()},
		{"world-x3", testfleet.World().Oversubscribe(3)},
	} {
		b.Run(c.name, func(b *testing.B) {
			fleetFile, planFile := filepath.Join(b.TempDir(), "fleet.yaml"), filepath.Join(b.TempDir(), "plan.json")
			if err := os.WriteFile(fleetFile, c.file.Text(), 0o600); err != nil {
				b.Fatal(err)
			}
			timed := func(args ...string) time.Duration {
				begun := time.Now()
				if got := lamplighterUntil(b.Context(), args...); got.code != 0 {
					b.Fatalf("%v: exit %d: %.500s", args, got.code, got.stderr)
				}
				return time.Since(begun)
			}
			var plan, check time.Duration
			for b.Loop() {
				plan += timed("plan", fleetFile, "--from", "2026-12-01T00:00:00Z", "--to", "2026-12-02T00:00:00Z", "-o", planFile)
				check += timed("check", fleetFile, planFile)
			}
			b.ReportMetric(float64(plan)/float64(check), "plan/check")
			b.ReportMetric(float64(plan.Milliseconds())/float64(b.N), "plan-ms")
		})
	}
}
