package planner_test

import (
	"math"
	"strings"
	"testing"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// relax lifts one limit of a beacon in its fleet file. It returns false for
// limits that are not of the file.
func relax(file *testfleet.File, beacon string, limit planner.Limit) bool {
	var b, site testfleet.Object
	for _, x := range file.Beacons {
		if x["name"] == beacon {
			b = x
		}
	}
	for _, s := range file.Sites {
		if s["name"] == b["site"] {
			site = s
		}
	}
	switch limit {
	case planner.LimitSite:
		site["transmitters_at_once"] = site["transmitters_at_once"].(int) + 1
	case planner.LimitEquipment:
		delete(b, "shared")
	case planner.LimitNear: // its own place, with as many transmitters as before
		away := testfleet.Object{"name": "away", "locator": "RR99xx"}
		file.Sites = append(file.Sites, away)
		b["site"] = "away"
	case planner.LimitSignals:
		file.Network["max_signals_per_band"] = file.Network["max_signals_per_band"].(int) + 1
	case planner.LimitWindow:
		delete(file.Network, "bands")
	case planner.LimitTogether:
		delete(site, "not_together")
	case planner.LimitQuiet:
		delete(site, "quiet_share")
	case planner.LimitListen:
		delete(site, "listen")
	case planner.LimitAmplifier:
		delete(b, "max_in_30min")
	case planner.LimitRest:
		delete(b, "rest")
	case planner.LimitRate:
		b["share"] = min(1, math.Round(b["share"].(float64)*15000)/10000)
	default:
		return false
	}
	return true
}

// TestReasonsAreTrue lifts the limit that is named, and the grant must rise.
func TestReasonsAreTrue(t *testing.T) {
	tried, risen := map[planner.Limit]int{}, map[planner.Limit]int{}
	for seed := range seeds(40) {
		for _, fleets := range []func(uint64) *testfleet.File{testfleet.Random, testfleet.Crowded} {
			in := planner.Input{Fleet: read(t, fleets(seed)), From: from, To: from.Add(day)}
			p := makePlan(t, in)
			for i, s := range p.Shortfalls {
				if s.Band != "" || i%3 != 0 {
					continue
				}
				e, err := planner.Explain(in, p, s.Beacon)
				if err != nil {
					t.Fatal(err)
				}
				if e.Granted != s.Granted || len(e.Binding) == 0 || !strings.HasPrefix(s.Reason, e.Binding[0].Sentence) {
					t.Fatalf("%s: explained as %+v, listed as %+v", in.Fleet.Network.Name, e, s)
				}
				limit := e.Binding[0].Limit
				file := fleets(seed)
				if !relax(file, s.Beacon, limit) || both(e) && !relax(file, s.Beacon, e.Binding[1].Limit) {
					continue
				}
				tried[limit]++
				now := planner.Input{Fleet: read(t, file), From: in.From, To: in.To}
				if granted(makePlan(t, now), s.Beacon) > s.Granted {
					risen[limit]++
					continue
				}
				t.Errorf("%s: %s has %d of %d for %q (alone in %d slots), and without that no more", in.Fleet.Network.Name, s.Beacon, s.Granted, s.Wanted, s.Reason, e.Binding[0].Alone)
			}
		}
	}
	for limit, n := range tried {
		t.Logf("%v: %d of %d rose", limit, risen[limit], n)
	}
}

// both tells that no limit stands alone in any slot, so that two are named.
func both(e planner.Explanation) bool { return e.Binding[0].Alone == 0 && len(e.Binding) > 1 }

func granted(p *plan.Plan, beacon string) (n int) {
	for _, x := range p.Transmissions {
		if x.Beacon == beacon {
			n++
		}
	}
	return n
}
