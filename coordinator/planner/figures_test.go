package planner_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

func TestShowFigures(t *testing.T) {
	for _, c := range []struct {
		name string
		f    *testfleet.File
		days int
	}{
		{"club", testfleet.Club(), 1}, {"club x3", testfleet.Club().Oversubscribe(3), 1}, {"club week", testfleet.Club(), 7},
		{"region", testfleet.Region(), 1}, {"region x3", testfleet.Region().Oversubscribe(3), 1}, {"region week", testfleet.Region(), 7},
		{"nation", testfleet.Nation(), 1}, {"nation x3", testfleet.Nation().Oversubscribe(3), 1},
		{"world", testfleet.World(), 1}, {"world x3", testfleet.World().Oversubscribe(3), 1},
	} {
		if only := os.Getenv("ONLY"); only != "" && !strings.HasPrefix(c.name, only) {
			continue
		}
		f := read(t, c.f)
		in := planner.Input{Fleet: f, From: from, To: from.Add(time.Duration(c.days) * day)}
		start := time.Now()
		p := makePlan(t, in)
		took := time.Since(start)
		start = time.Now()
		mustHold(t, in, p)
		check := time.Since(start)
		show(c.name, f, p, took, check)
	}
}

func show(name string, f *fleet.Fleet, p *plan.Plan, took, check time.Duration) {
	first, end := f.Network.Slot.Starting(p.From, p.To)
	op := f.Openings(first, end)
	by := map[string][]plan.Transmission{}
	for _, x := range p.Transmissions {
		by[x.Beacon] = append(by[x.Beacon], x)
	}
	demand, short, least := 0, 0, 1.0
	air, bands := 0.0, 0.0
	overAir, overBand := 0, 0
	for i, b := range f.Beacons {
		d := int(plan.Demand(b, op.OpenSlots(i)))
		demand += d
		list := by[b.Name]
		short += d - len(list)
		if d > 0 {
			least = min(least, float64(len(list))/float64(d))
		}
		rate := float64(len(list)) / float64(max(1, op.OpenSlots(i)))
		open, k, worst := 0, 0, 0.0
		for n := first; n < end; n++ {
			if op.OpenAny(i, n) {
				open++
			}
			for k < len(list) && f.Network.Slot.At(list[k].Start) <= n {
				k++
			}
			dev := float64(k) - rate*float64(open)
			worst = max(worst, dev, -dev)
		}
		air = max(air, worst)
		if worst > 1.0001 {
			overAir++
		}
		asked, had := map[string]float64{}, map[string]float64{}
		worst = 0
		for _, x := range list {
			n := f.Network.Slot.At(x.Start)
			sum := 0.0
			for j, u := range b.Bands {
				if op.Open(i, j, n) {
					sum += u.Weight.Float64()
				}
			}
			for j, u := range b.Bands {
				if op.Open(i, j, n) {
					asked[u.Band.Name] += u.Weight.Float64() / sum
				}
			}
			had[x.Band]++
			for k := range asked {
				d := asked[k] - had[k]
				worst = max(worst, d, -d)
			}
		}
		bands = max(bands, worst)
		if worst >= 1 {
			overBand++
		}
	}
	minutes, meanMin := 1.0, 0.0
	n := 0
	for _, list := range by {
		perBand := map[string]map[int]int{}
		count := map[string]int{}
		for _, x := range list {
			if perBand[x.Band] == nil {
				perBand[x.Band] = map[int]int{}
			}
			perBand[x.Band][x.Start.Minute()]++
			count[x.Band]++
		}
		for k := range perBand {
			c := float64(len(perBand[k])) / float64(min(30, count[k]))
			minutes = min(minutes, c)
			meanMin += c
			n++
		}
	}
	fmt.Printf("%-12s demand %6d short %6d least %.4f | air dev %.3f (%d over) band dev %.3f (%d over) | minutes least %.2f mean %.3f | %v, check %v\n",
		name, demand, short, least, air, overAir, bands, overBand, minutes, meanMin/float64(max(1, n)), took.Round(time.Millisecond), check.Round(time.Millisecond))
}
