package planner_test

import (
	"fmt"
	"math"
	"runtime"
	"testing"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// BenchmarkDay plans a day of networks of which each is about three times the
// one before, as they are and oversubscribed three times. It reports how much
// processor time that takes in relation to checking the same plan, and by which
// power of the number of beacons it has grown since the smallest.
func BenchmarkDay(b *testing.B) {
	for _, factor := range []float64{1, 3} {
		var least time.Duration
		for _, size := range []struct{ beacons, sites int }{{300, 100}, {1000, 300}, {3000, 1200}, {10_000, 4000}} {
			b.Run(fmt.Sprintf("x%g/%d", factor, size.beacons), func(b *testing.B) {
				file := testfleet.Scaled("Bench", size.beacons, size.sites).Oversubscribe(factor)
				each := measureDay(b, planner.Input{Fleet: read(b, file), From: from, To: from.Add(day)})
				if size.beacons == 300 {
					least = each
				} else if least > 0 {
					b.ReportMetric(math.Log(float64(each)/float64(least))/math.Log(float64(size.beacons)/300), "exponent")
				}
			})
		}
	}
}

func measureDay(b *testing.B, in planner.Input) (each time.Duration) {
	var made, checked time.Duration
	for b.Loop() {
		begun := processorTime(b)
		p := makePlan(b, in)
		made += processorTime(b) - begun
		begun = processorTime(b)
		if found := plan.Check(in.Fleet, p, plan.Extra{}); len(found) > 0 {
			b.Fatal(found[0])
		}
		checked += processorTime(b) - begun
	}
	b.ReportMetric(float64(made)/float64(checked), "make/check")
	b.ReportMetric(float64(made.Milliseconds())/float64(b.N), "make-ms")
	return made / time.Duration(b.N)
}

// BenchmarkSmallChange replans a nation's day when one beacon has left or come,
// and reports how much processor time that takes in relation to a fresh plan.
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
				runtime.GC() // neither pays for the memory that the other has left
				begun := processorTime(b)
				makePlan(b, before)
				fresh += processorTime(b) - begun
				runtime.GC()
				begun = processorTime(b)
				makePlan(b, after)
				changed += processorTime(b) - begun
			}
			b.ReportMetric(float64(changed)/float64(fresh), "change/fresh")
		})
	}
}
