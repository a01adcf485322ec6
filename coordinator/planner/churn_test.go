package planner_test

import (
	"slices"
	"testing"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// churnOutside is the churn among the beacons of a fleet that keep says.
func churnOutside(f *fleet.Fleet, before, after *plan.Plan, keep func(b *fleet.Beacon) bool) float64 {
	old := *before
	old.Transmissions = slices.DeleteFunc(slices.Clone(before.Transmissions), func(x plan.Transmission) bool {
		b := f.Beacon(x.Beacon)
		return b == nil || !keep(b)
	})
	return *plan.Measure(f, after, plan.Extra{Previous: &old}).Churn
}

// near tells whether a beacon is at or near a site on one of its bands.
func near(f *fleet.Fleet, b *fleet.Beacon, site *fleet.Site) bool {
	return b.Site == site || slices.ContainsFunc(b.Bands, func(u fleet.BandUse) bool { return f.Near(b.Site, site, u.Band.Name) })
}

// replan plans a day of one fleet, and again when it has become another.
func replan(t *testing.T, old, changed *testfleet.File) (f *fleet.Fleet, before, after *plan.Plan) {
	t.Helper()
	before = makePlan(t, planner.Input{Fleet: read(t, old), From: from, To: from.Add(day)})
	in := planner.Input{Fleet: read(t, changed), From: from, To: from.Add(day), Previous: before}
	after = makePlan(t, in)
	mustHold(t, in, after)
	return in.Fleet, before, after
}

var changing = map[string]func() *testfleet.File{
	"club":           testfleet.Club,
	"region":         testfleet.Region,
	"crowded region": func() *testfleet.File { return testfleet.Region().Oversubscribe(3) },
}

// TestBeaconComes: what is planned for others than its neighbours stays, 99 in
// 100 at least.
func TestBeaconComes(t *testing.T) {
	for name, file := range changing {
		t.Run(name, func(t *testing.T) {
			for _, comes := range []int{0, 3, 7} {
				newcomer := file().Beacons[comes]["name"].(string)
				f, before, after := replan(t, without(file(), comes), file())
				site := f.Beacon(newcomer).Site
				churn := churnOutside(f, before, after, func(b *fleet.Beacon) bool { return !near(f, b, site) })
				if churn > 0.01 {
					t.Errorf("when %s comes, churn outside its neighbourhood is %.4f", newcomer, churn)
				}
				t.Logf("%s comes: churn %.4f, outside its neighbourhood %.4f", newcomer, churnOutside(f, before, after, func(*fleet.Beacon) bool { return true }), churn)
			}
		})
	}
}

// TestBandComes: another band for one beacon moves hardly anything of others.
func TestBandComes(t *testing.T) {
	for name, file := range changing {
		t.Run(name, func(t *testing.T) {
			for _, i := range []int{0, 3, 7} {
				more := file()
				b := more.Beacons[i]
				b["bands"] = append(b["bands"].([]testfleet.Object), testfleet.Object{"name": "4m"})
				f, before, after := replan(t, file(), more)
				if churn := churnOutside(f, before, after, func(other *fleet.Beacon) bool { return other.Name != b["name"] }); churn > 0.01 {
					t.Errorf("when %s gets a band, churn of the others is %.4f", b["name"], churn)
				}
			}
		})
	}
}

// TestPauseComes: a pause of one site for some hours moves hardly anything of
// others; the transmissions in the pause are not counted as still allowed.
func TestPauseComes(t *testing.T) {
	for name, file := range changing {
		t.Run(name, func(t *testing.T) {
			for _, i := range []int{0, 1, 2} {
				paused := file()
				site := paused.Sites[i]["name"]
				paused.Pauses = append(paused.Pauses, testfleet.Object{
					"scope": testfleet.Object{"site": site}, "from": "2026-12-01T08:00:00Z", "to": "2026-12-01T14:00:00Z", "reason": "mast work",
				})
				f, before, after := replan(t, file(), paused)
				here := f.Sites[slices.IndexFunc(f.Sites, func(s *fleet.Site) bool { return s.Name == site })]
				if churn := churnOutside(f, before, after, func(b *fleet.Beacon) bool { return !near(f, b, here) }); churn > 0.01 {
					t.Errorf("when %s pauses, churn outside its neighbourhood is %.4f", site, churn)
				}
			}
		})
	}
}

// TestNewcomerGetsItsShare: two neighbours that want nearly all there is on one
// band get half each, also when one was there before; so do two at one site.
func TestNewcomerGetsItsShare(t *testing.T) {
	for _, second := range []string{"IP62oa", "IP62pa"} {
		both := &testfleet.File{Network: testfleet.Object{"name": "Two"}}
		for i, locator := range []string{"IP62oa", second} {
			name := []string{"first", "second"}[i]
			both.Sites = append(both.Sites, testfleet.Object{"name": name, "locator": locator})
			both.Beacons = append(both.Beacons, testfleet.Object{
				"name": name, "callsign": testfleet.Call(i), "site": name, "share": 0.9, "control": "automatic",
				"power_dbm": 23, "uncertainty_ppm": 0.05, "bands": []string{"40m"},
			})
		}
		alone := &testfleet.File{Network: both.Network, Sites: both.Sites, Beacons: both.Beacons[:1]}
		_, _, after := replan(t, alone, both)
		for _, name := range []string{"first", "second"} {
			// In the five slots about to begin nothing is added.
			if n := granted(after, name); n < 357 || n > 363 {
				t.Errorf("%s gets %d of 720 slots, half is fair", name, n)
			}
		}
	}
}
