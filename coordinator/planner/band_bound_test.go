package planner_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
	"lamplighter/proto/onair/slot"
)

// leastBandDeviation is a bound below the band deviation of every plan that
// grants so much to each beacon in each run of like slots.
//
// The rows of a run are those of the bound of airtime; in each the sum of a beacon's
// variables is what it is granted there. Up to the end of a run the weights ask for
// a band as often as the sum says, over the transmissions so far, of the band's
// weight among the bands then open; it is used as often as the sum of its own
// variables. Both are linear, so the least D that is nowhere less than their
// difference is a linear program. Every plan with these grants is a solution in
// whole numbers, and its band deviation, which looks at every prefix, is not less
// than at those that end with a run. So no such plan has less than D.
func (b *bound) leastBandDeviation(granted func(beacon int, run kind) int) float64 {
	var lp bytes.Buffer
	lp.WriteString("Minimize\n goal: D\nSubject To\n")
	rows := 0
	atMost := func(terms []string, most int) {
		if len(terms) > 0 {
			rows++
			fmt.Fprintf(&lp, " r%d: %s <= %d\n", rows, strings.Join(terms, " + "), most)
		}
	}
	kinds := b.kinds()
	for k, kind := range kinds {
		sums := make([][]string, len(b.f.Beacons))
		b.slotRows(kind.like, kind.count, sums, atMost)
		for i := range sums {
			if len(sums[i]) > 0 {
				fmt.Fprintf(&lp, " s%d_%d: %s = %d\n", i, k, strings.Join(sums[i], " + "), granted(i, kind))
			}
		}
	}
	b.quiet(kinds, &lp)
	for i, beacon := range b.f.Beacons {
		for j := range beacon.Bands {
			b.away(&lp, i, j, kinds)
		}
	}
	lp.WriteString("Bounds\n")
	for i, beacon := range b.f.Beacons {
		for j := range beacon.Bands {
			for k := range kinds {
				fmt.Fprintf(&lp, " e%d_%d_%d free\n", i, j, k)
			}
		}
	}
	lp.WriteString("End\n")
	return b.glpk(lp.Bytes())
}

// away states how often a beacon uses a band beyond what its weights ask for, up
// to the end of each run of slots: as far as up to the run before, and what the
// run adds.
func (b *bound) away(lp *bytes.Buffer, beacon, band int, kinds []kind) {
	bands := b.f.Beacons[beacon].Bands
	for k, kind := range kinds {
		e := fmt.Sprintf("e%d_%d_%d", beacon, band, k)
		fmt.Fprintf(lp, " d%s: %s", e, e)
		if k > 0 {
			fmt.Fprintf(lp, " - e%d_%d_%d", beacon, band, k-1)
		}
		open := 0.0
		for j := range bands {
			if b.open.Open(beacon, j, kind.like) {
				open += bands[j].Weight.Float64()
			}
		}
		for j := range bands {
			if !b.open.Open(beacon, j, kind.like) || !b.open.Open(beacon, band, kind.like) {
				continue
			}
			factor := bands[band].Weight.Float64() / open
			if j == band {
				factor--
			}
			fmt.Fprintf(lp, " %+.12f x%d_%d_%d", factor, beacon, j, kind.like-b.first)
		}
		fmt.Fprintf(lp, " = 0\n o%s: %s - D <= 0\n u%s: %s + D >= 0\n", e, e, e, e)
	}
}

// TestBandsAgainstSolver holds the band deviation of oversubscribed fleets to the
// least that the airtime granted to each in each run of like slots allows. Where
// two share a site and a band, and one of them has no other, it matters in which
// slots they meet; of the small crowded fleets a few stay above for that, in 3 of
// the 24 tried here.
func TestBandsAgainstSolver(t *testing.T) {
	t.Run("club", func(t *testing.T) { boundOf(t, testfleet.Club().Oversubscribe(3)).holdBands(1, 1) })
	t.Run("region", func(t *testing.T) { boundOf(t, testfleet.Region().Oversubscribe(3)).holdBands(1, 1) })
	above := uint64(0)
	for seed := range seeds(24) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			if !boundOf(t, testfleet.Crowded(seed)).holdBands(2, 20) {
				above++
			}
		})
	}
	if all := seeds(24); above > 1+all/12 {
		t.Errorf("%d of %d crowded fleets are far above the bound", above, all)
	}
}

// holdBands allows so many times the bound and so much more, and tells whether it
// comes to twice the bound and two more.
func (b *bound) holdBands(times, more float64) bool {
	in := planner.Input{Fleet: b.f, From: from, To: from.Add(day)}
	p := makePlan(b.t, in)
	mustHold(b.t, in, p)
	least := b.leastBandDeviation(func(beacon int, run kind) (granted int) {
		for _, x := range p.Transmissions {
			n := b.f.Network.Slot.At(x.Start)
			if x.Beacon == b.f.Beacons[beacon].Name && n >= run.like && n < run.like+slot.Number(run.count) {
				granted++
			}
		}
		return granted
	})
	got := plan.Measure(b.f, p, plan.Extra{}).BandDeviation
	b.t.Logf("band deviation %.2f, the airtime granted forces %.2f", got, math.Abs(least))
	if got > times*least+more+1e-6 {
		b.t.Errorf("band deviation %.2f, where %.2f would do", got, least)
	}
	return got <= 2*least+2
}
