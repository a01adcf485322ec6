package planner_test

import (
	"testing"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestSpread: over a week each beacon covers on each band at least 60 in 100,
// and 95 in the mean, of the even minutes that its visits could.
func TestSpread(t *testing.T) {
	for name, file := range map[string]*testfleet.File{
		"club": testfleet.Club(), "region": testfleet.Region(),
		"crowded club": testfleet.Club().Oversubscribe(3), "crowded region": testfleet.Region().Oversubscribe(3),
	} {
		if !testing.Short() || name == "club" {
			t.Run(name, func(t *testing.T) { spreadsOut(t, file) })
		}
	}
}

func spreadsOut(t *testing.T, file *testfleet.File) {
	in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(7 * day)}
	p := makePlan(t, in)
	mustHold(t, in, p)
	minutes, visits := map[string]map[int]bool{}, map[string]int{}
	for _, x := range p.Transmissions {
		key := x.Beacon + " on " + x.Band
		if minutes[key] == nil {
			minutes[key] = map[int]bool{}
		}
		minutes[key][x.Start.Minute()] = true
		visits[key]++
	}
	least, sum := 1.0, 0.0
	for key, n := range visits {
		covered := float64(len(minutes[key])) / float64(min(30, n))
		if covered < 0.6 {
			t.Errorf("%s covers %d even minutes in %d visits", key, len(minutes[key]), n)
		}
		least, sum = min(least, covered), sum+covered
	}
	mean := sum / float64(len(visits))
	if mean < 0.95 {
		t.Errorf("in the mean %.3f of the even minutes are covered", mean)
	}
	s := plan.Measure(in.Fleet, p, plan.Extra{}).Spread
	if s.HoursCovered < s.HoursDue {
		t.Errorf("%d of %d due hours are met", s.HoursCovered, s.HoursDue)
	}
	t.Logf("least %.2f, mean %.3f, hours %d of %d", least, mean, s.HoursCovered, s.HoursDue)
}
