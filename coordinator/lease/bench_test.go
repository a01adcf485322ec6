package lease

import (
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
	"lamplighter/proto/onair/slot"
)

// BenchmarkRelease asks what may be published of a nation's new plan while every
// beacon may still obey the one before, of which nothing agrees.
func BenchmarkRelease(b *testing.B) {
	f := readFleet(b, string(testfleet.Nation().Text()))
	book := NewBook(f)
	for beacon, uses := range usesOf(b, f, noon) {
		book.Publish(beacon, one, n0, uses)
		book.Extend(beacon, noon.Add(24*time.Hour))
	}
	wanted := usesOf(b, f, noon.Add(-time.Hour))
	allowed, withheld := 0, 0
	for b.Loop() {
		may, must := book.Release(wanted, noon)
		allowed, withheld = 0, len(must)
		for _, uses := range may {
			allowed += len(uses)
		}
	}
	b.ReportMetric(float64(allowed), "allowed")
	b.ReportMetric(float64(withheld), "withheld")
}

// usesOf plans 24 hours.
func usesOf(b *testing.B, f *fleet.Fleet, from time.Time) map[string][]Use {
	b.Helper()
	p, err := planner.Make(planner.Input{Fleet: f, From: from, To: from.Add(24 * time.Hour)}, nil)
	if err != nil {
		b.Fatal(err)
	}
	uses := map[string][]Use{}
	for _, t := range p.Transmissions {
		n := slot.Standard.At(t.Start)
		uses[t.Beacon] = append(uses[t.Beacon], Use{
			Slot: n, Band: t.Band, FrequencyMillihertz: int64(t.FrequencyHz * 1000),
			UncertaintyMillihertz: 500, Extended: t.Message == plan.Extended,
		})
	}
	return uses
}
