package planner_test

import (
	"math"
	"testing"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// BenchmarkDay plans a day, and reports how long that takes in relation to
// checking the same plan, and to the smallest network as an exponent of growth.
func BenchmarkDay(b *testing.B) {
	var least time.Duration
	for _, size := range []struct {
		name           string
		beacons, sites int
	}{{"300", 300, 100}, {"1000", 1000, 300}, {"3000", 3000, 1200}, {"10000", 10_000, 4000}} {
		b.Run(size.name, func(b *testing.B) {
			in := planner.Input{Fleet: read(b, testfleet.Scaled("Bench", size.beacons, size.sites)), From: from, To: from.Add(day)}
			var made, checked time.Duration
			for b.Loop() {
				begun := time.Now()
				p := makePlan(b, in)
				made += time.Since(begun)
				begun = time.Now()
				if found := plan.Check(in.Fleet, p, plan.Extra{}); len(found) > 0 {
					b.Fatal(found[0])
				}
				checked += time.Since(begun)
			}
			each := made / time.Duration(b.N)
			if least == 0 {
				least = each
			}
			b.ReportMetric(float64(made)/float64(checked), "make/check")
			if size.beacons > 300 {
				b.ReportMetric(math.Log(float64(each)/float64(least))/math.Log(float64(size.beacons)/300), "exponent")
			}
		})
	}
}

// BenchmarkSmallChange replans a nation's day when one beacon has left or come,
// and reports how long that takes in relation to a fresh plan.
func BenchmarkSmallChange(b *testing.B) {
	for name, fleets := range map[string][2]*testfleet.File{
		"leaves": {testfleet.Nation(), without(testfleet.Nation(), 500)},
		"comes":  {without(testfleet.Nation(), 500), testfleet.Nation()},
	} {
		b.Run(name, func(b *testing.B) {
			before := planner.Input{Fleet: read(b, fleets[0]), From: from, To: from.Add(day)}
			after := planner.Input{Fleet: read(b, fleets[1]), From: from, To: from.Add(day), Previous: makePlan(b, before)}
			var fresh, changed time.Duration
			for b.Loop() {
				begun := time.Now()
				makePlan(b, before)
				fresh += time.Since(begun)
				begun = time.Now()
				makePlan(b, after)
				changed += time.Since(begun)
			}
			b.ReportMetric(float64(changed)/float64(fresh), "change/fresh")
		})
	}
}
