package planner_test

import (
	"bytes"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestSameBytes: again, on one processor, with all lists of the file shuffled.
func TestSameBytes(t *testing.T) {
	for name, file := range map[string]func() *testfleet.File{
		"club":   testfleet.Club,
		"crowd":  func() *testfleet.File { return testfleet.Club().Oversubscribe(3) },
		"region": testfleet.Region,
		"random": func() *testfleet.File { return testfleet.Random(5) },
	} {
		t.Run(name, func(t *testing.T) {
			want := encode(t, file())
			if !bytes.Equal(want, encode(t, file())) {
				t.Error("a second plan differs from the first")
			}
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
			if !bytes.Equal(want, encode(t, file())) {
				t.Error("on one processor the plan differs")
			}
			for seed := range uint64(3) {
				shuffled := file()
				shuffled.Shuffle(seed)
				if !bytes.Equal(want, encode(t, shuffled)) {
					t.Error("with the fleet's lists shuffled the plan differs")
				}
			}
		})
	}
}

func encode(t *testing.T, file *testfleet.File) []byte {
	return makePlan(t, planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}).Encode()
}

// without returns the fleet file less one beacon.
func without(file *testfleet.File, i int) *testfleet.File {
	file.Beacons = slices.Delete(file.Beacons, i, i+1)
	file.Pauses = slices.DeleteFunc(file.Pauses, func(p testfleet.Object) bool {
		_, named := p["scope"].(testfleet.Object)["beacon"]
		return named
	})
	return file
}

// TestBeaconLeaves: a feasible fleet's plan keeps every other transmission; an
// oversubscribed one's at least 99 in 100.
func TestBeaconLeaves(t *testing.T) {
	for _, c := range []struct {
		name string
		file func() *testfleet.File
		most float64
	}{
		{"club", testfleet.Club, 0},
		{"region", testfleet.Region, 0},
		{"crowded club", func() *testfleet.File { return testfleet.Club().Oversubscribe(3) }, 0.01},
		{"crowded region", func() *testfleet.File { return testfleet.Region().Oversubscribe(3) }, 0.01},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := makePlan(t, planner.Input{Fleet: read(t, c.file()), From: from, To: from.Add(day)})
			for _, gone := range []int{0, 3, 7} {
				in := planner.Input{Fleet: read(t, without(c.file(), gone)), From: from, To: from.Add(day), Previous: before}
				after := makePlan(t, in)
				mustHold(t, in, after)
				figures := plan.Measure(in.Fleet, after, plan.Extra{Previous: before})
				if figures.Churn == nil || *figures.Churn > c.most {
					t.Errorf("when beacon %d leaves, churn is %v, at most %v may be", gone, figures.Churn, c.most)
				}
			}
		})
	}
}

// TestRolling extends a plan of 24 h each hour for a day; what was planned for
// the hour before becomes history, all but a few transmissions that failed.
func TestRolling(t *testing.T) {
	for name, file := range map[string]*testfleet.File{
		"club": testfleet.Club(), "crowded club": testfleet.Club().Oversubscribe(3), "region": testfleet.Region(),
	} {
		t.Run(name, func(t *testing.T) {
			f := read(t, file)
			chance := rand.New(rand.NewPCG(1, 2))
			in := planner.Input{Fleet: f, From: from, To: from.Add(day)}
			p := makePlan(t, in)
			history := &plan.Plan{Network: p.Network, From: from, To: from, SlotSeconds: p.SlotSeconds}
			for hour := 1; hour <= int(seeds(24)); hour++ {
				now := from.Add(time.Duration(hour) * time.Hour)
				for _, x := range p.Transmissions {
					if x.Start.Before(now) && !x.Start.Before(history.To) && chance.IntN(50) > 0 {
						history.Transmissions = append(history.Transmissions, x)
					}
				}
				history.To = now
				in := planner.Input{Fleet: f, From: now, To: now.Add(day), History: history, Previous: p, Taken: leased(p, now, 6*time.Hour)}
				next := makePlan(t, in)
				mustHold(t, in, next)
				mustKeepLead(t, p, next, now)
				if t.Failed() {
					t.Fatalf("at hour %d", hour)
				}
				mustNotBeWorse(t, next, makePlan(t, planner.Input{Fleet: f, From: now, To: now.Add(day), History: history}))
				p = next
			}
		})
	}
}

// mustNotBeWorse fails when a beacon gets more than one slot less than in a plan
// made at once.
func mustNotBeWorse(t *testing.T, rolled, fresh *plan.Plan) {
	t.Helper()
	counts := map[string]int{}
	for _, x := range fresh.Transmissions {
		counts[x.Beacon]++
	}
	for _, x := range rolled.Transmissions {
		counts[x.Beacon]--
	}
	for name, less := range counts {
		if less > 1 {
			t.Errorf("%s: %s gets %d slots less than in a plan made at once", rolled.From.Format(time.Kitchen), name, less)
		}
	}
}

// leased are the transmissions that may be obeyed without hearing from the
// coordinator again.
func leased(p *plan.Plan, now time.Time, life time.Duration) *plan.Plan {
	taken := *p
	taken.Transmissions = slices.DeleteFunc(slices.Clone(p.Transmissions), func(x plan.Transmission) bool {
		return x.Start.Before(now) || !x.Start.Before(now.Add(life))
	})
	return &taken
}

// mustKeepLead fails when something was added or moved in the next ten minutes.
func mustKeepLead(t *testing.T, before, after *plan.Plan, now time.Time) {
	t.Helper()
	type key struct {
		start  int64
		beacon string
		band   string
		hz     float64
	}
	known := map[key]bool{}
	for _, x := range before.Transmissions {
		known[key{x.Start.Unix(), x.Beacon, x.Band, x.FrequencyHz}] = true
	}
	for _, x := range after.Transmissions {
		if x.Start.Before(now.Add(10*time.Minute)) && !known[key{x.Start.Unix(), x.Beacon, x.Band, x.FrequencyHz}] {
			t.Errorf("%v %s on %s begins within ten minutes and was not planned before", x.Start, x.Beacon, x.Band)
		}
	}
}

// TestRandomReplans: history, plan in force and leases of a fleet that has
// changed since; no rule is broken, and what is about to begin stays.
func TestRandomReplans(t *testing.T) {
	for seed := range seeds(200) {
		old := read(t, testfleet.Random(seed))
		before := makePlan(t, planner.Input{Fleet: old, From: from, To: from.Add(day)})
		file := testfleet.Random(seed)
		if len(file.Beacons) > 1 {
			file = without(file, int(seed)%len(file.Beacons))
		}
		for _, b := range file.Beacons {
			if seed%3 == 0 {
				b["share"] = 0.3
			}
			if seed%5 == 0 { // signals that stood clear of each other no longer do
				b["uncertainty_ppm"] = 0.4
			}
		}
		if seed%5 == 1 {
			file.Network["guard_hz"] = 15
		}
		now := from.Add(5 * time.Hour)
		past := *before
		past.To = now
		past.Transmissions = slices.DeleteFunc(slices.Clone(before.Transmissions), func(x plan.Transmission) bool { return !x.Start.Before(now) })
		in := planner.Input{Fleet: read(t, file), From: now, To: now.Add(day), History: &past, Previous: before, Taken: leased(before, now, 3*time.Hour)}
		after := makePlan(t, in)
		mustHold(t, in, after)
		mustKeepLead(t, before, after, now)
		if t.Failed() {
			t.Fatalf("fleet %d\n%s", seed, file.Text())
		}
	}
}
