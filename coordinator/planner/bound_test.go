package planner_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/peertest"
)

// bound states the airtime problem of a fleet as a linear program and has
// Debian's GLPK solve it.
//
// For each beacon b, band k and slot t in which b may use k there is a variable
// x(b,k,t) between 0 and 1. The rows say, for each slot: a beacon transmits at
// most once; a site at most transmitters_at_once; shared equipment once; two
// near sites, and the beacons of one site, at most once on a band together; a
// band carries at most max_signals_per_band. Every plan that keeps the rules is
// a solution with whole numbers, since the program states only what follows from
// rules and leaves some out (rest, window, whole numbers). So what the program can't
// exceed no plan can: its greatest least level bounds that of every plan.
//
// Neighbouring slots in which the same bands are open to the same beacons are
// alike: the mean of a solution over such a run is a solution too, so one
// variable can stand for the whole run. Rule 6 is stated for each stretch of
// whole runs: at most ceil(share·k) + 1 of its k slots. A quiet share is
// stated with a variable for the slots of a run in which a site is idle: in them
// none of its beacons, bands and equipment is used, so each of their rows counts
// the idle slots too. Over the day, of which the
// plan is exactly one, they are as many as the share asks.
//
// Fair shares are found by filling: the greatest level of granted / (demand ·
// priority) that all can have; then those who can't have more at that level, or
// have all they want, keep it, and the others go on.
type bound struct {
	t       *testing.T
	f       *fleet.Fleet
	open    *fleet.Openings
	first   slot.Number
	end     slot.Number
	demands []float64
}

func newBound(t *testing.T, in planner.Input) *bound {
	first, end := in.Fleet.Network.Slot.Starting(in.From, in.To)
	b := &bound{t: t, f: in.Fleet, open: in.Fleet.Openings(first, end), first: first, end: end}
	for i, beacon := range in.Fleet.Beacons {
		b.demands = append(b.demands, float64(plan.Demand(beacon, b.open.OpenSlots(i))))
	}
	return b
}

// fairShares returns the max-min fair fraction of its demand for each beacon.
func (b *bound) fairShares() []float64 {
	fixed := make([]float64, len(b.demands))
	left := 0
	for i := range fixed {
		fixed[i] = -1
		if b.demands[i] == 0 {
			fixed[i] = 1
		} else {
			left++
		}
	}
	for left > 0 {
		level := b.solve("level", fixed, 0)
		now := slices.Clone(fixed)
		for i := range fixed {
			if fixed[i] >= 0 {
				continue
			}
			share := level * b.priority(i)
			if share > 1-1e-9 || b.solve(fmt.Sprintf("g%d", i), fixed, level) < share*b.demands[i]+1e-3 {
				now[i] = share
				left--
			}
		}
		fixed = now
	}
	return fixed
}

func (b *bound) priority(i int) float64 { return b.f.Beacons[i].Priority.Float64() }

// solve maximizes the level of all that are not fixed, or with a level given
// what one beacon gets while the others keep it.
func (b *bound) solve(goal string, fixed []float64, level float64) float64 {
	var lp bytes.Buffer
	fmt.Fprintf(&lp, "Maximize\n goal: %s\nSubject To\n", goal)
	rows := 0
	atMost := func(terms []string, most int) {
		if len(terms) > 0 {
			rows++
			fmt.Fprintf(&lp, " r%d: %s <= %d\n", rows, strings.Join(terms, " + "), most)
		}
	}
	sums := make([][]string, len(b.f.Beacons))
	kinds := b.kinds()
	for _, kind := range kinds {
		b.slotRows(kind.like, kind.count, sums, atMost)
	}
	b.stretches(kinds, atMost)
	b.quiet(kinds, &lp)
	highest := 0.0 // at which the first has all it wants
	for i, sum := range sums {
		if len(sum) == 0 {
			continue
		}
		fmt.Fprintf(&lp, " s%d: %s - g%d = 0\n g%dmost: g%d <= %.0f\n", i, strings.Join(sum, " + "), i, i, i, b.demands[i])
		switch {
		case fixed[i] >= 0:
			fmt.Fprintf(&lp, " l%d: g%d >= %.9f\n", i, i, fixed[i]*b.demands[i]-1e-6)
		case level > 0:
			fmt.Fprintf(&lp, " l%d: g%d >= %.9f\n", i, i, level*b.priority(i)*b.demands[i]-1e-6)
		case b.demands[i] > 0:
			fmt.Fprintf(&lp, " l%d: g%d - %.9f level >= 0\n", i, i, b.priority(i)*b.demands[i])
			highest = max(highest, b.priority(i))
		}
	}
	if highest == 0 {
		highest = 1
	}
	fmt.Fprintf(&lp, "Bounds\n level <= %.9f\nEnd\n", 1/highest)
	return b.glpk(lp.Bytes())
}

// kind is a number of slots that are alike.
type kind struct {
	like  slot.Number
	count int
}

func (b *bound) kinds() []kind {
	var kinds []kind
	last := ""
	for n := b.first; n < b.end; n++ {
		var pattern []byte
		for i, beacon := range b.f.Beacons {
			for j := range beacon.Bands {
				pattern = strconv.AppendBool(pattern, b.open.Open(i, j, n))
			}
		}
		if string(pattern) != last {
			last = string(pattern)
			kinds = append(kinds, kind{like: n})
		}
		kinds[len(kinds)-1].count++
	}
	return kinds
}

// quiet states the quiet shares: so many slots of the day are idle.
func (b *bound) quiet(kinds []kind, lp *bytes.Buffer) {
	slots := int64(b.end - b.first)
	for i, s := range b.f.Sites {
		if s.Quiet.IsZero() {
			continue
		}
		var idle []string
		for _, kind := range kinds {
			idle = append(idle, b.idle(s, kind.like))
		}
		fmt.Fprintf(lp, " q%d: %s >= %d\n", i, strings.Join(idle, " + "), s.Quiet.MulFloor(slots))
	}
}

// idle is how many of the slots like one a site is silent in.
func (b *bound) idle(s *fleet.Site, n slot.Number) string {
	return fmt.Sprintf("i%d_%d", slices.Index(b.f.Sites, s), n-b.first)
}

// stretches states rule 6.
func (b *bound) stretches(kinds []kind, atMost func([]string, int)) {
	for i, beacon := range b.f.Beacons {
		for a := range kinds {
			var terms []string
			slots := int64(0)
			for _, kind := range kinds[a:] {
				slots += int64(kind.count)
				for j := range beacon.Bands {
					if b.open.Open(i, j, kind.like) {
						terms = append(terms, fmt.Sprintf("x%d_%d_%d", i, j, kind.like-b.first))
					}
				}
				atMost(terms, int(beacon.Share.MulCeil(slots))+1)
			}
		}
	}
}

// slotRows states the rules of so many slots like one.
func (b *bound) slotRows(n slot.Number, count int, sums [][]string, atMostEach func([]string, int)) {
	atMost := func(terms []string, most int) { atMostEach(terms, most*count) }
	site, band := map[string][]string{}, map[string][]string{}
	mast := map[*fleet.Site]map[string][]string{}
	at := map[[2]string][]string{} // by site and band
	for i, beacon := range b.f.Beacons {
		var own []string
		for j, use := range beacon.Bands {
			if !b.open.Open(i, j, n) {
				continue
			}
			x := fmt.Sprintf("x%d_%d_%d", i, j, n-b.first)
			own = append(own, x)
			s := beacon.Site.Name
			site[s] = append(site[s], x)
			for _, e := range beacon.Shared {
				if mast[beacon.Site] == nil {
					mast[beacon.Site] = map[string][]string{}
				}
				mast[beacon.Site][e] = append(mast[beacon.Site][e], x)
			}
			band[use.Band.Name] = append(band[use.Band.Name], x)
			at[[2]string{s, use.Band.Name}] = append(at[[2]string{s, use.Band.Name}], x)
		}
		if len(own) > 0 {
			atMost(b.orIdle(beacon.Site, n, 1, own), 1)
		}
		sums[i] = append(sums[i], own...)
	}
	for _, s := range b.f.Sites {
		atMost(b.orIdle(s, n, s.TransmittersAtOnce, site[s.Name]), s.TransmittersAtOnce)
		for name := range band {
			here := at[[2]string{s.Name, name}]
			atMost(b.orIdle(s, n, 1, here), 1)
			for _, other := range b.f.Sites {
				if s.Name < other.Name && b.f.Near(s, other, name) {
					atMost(append(append([]string{}, here...), at[[2]string{other.Name, name}]...), 1)
				}
			}
		}
	}
	for s, gear := range mast {
		for _, list := range gear {
			atMost(b.orIdle(s, n, 1, list), 1)
		}
	}
	for _, list := range band {
		atMost(list, b.f.Network.MaxSignalsPerBand)
	}
}

// orIdle adds to what a site sends in slots like one, at most so much in each,
// those in which it is idle.
func (b *bound) orIdle(s *fleet.Site, n slot.Number, each int, terms []string) []string {
	if s.Quiet.IsZero() {
		return terms
	}
	return append(slices.Clone(terms), fmt.Sprintf("%d %s", each, b.idle(s, n)))
}

func (b *bound) glpk(lp []byte) float64 {
	b.t.Helper()
	file := filepath.Join(b.t.TempDir(), "airtime.lp")
	if err := os.WriteFile(file, lp, 0o600); err != nil {
		b.t.Fatal(err)
	}
	out, err := exec.Command(peertest.Find(b.t, "glpsol"), "--lp", file, "--write", file+".out").CombinedOutput()
	if err != nil {
		b.t.Fatalf("glpsol: %v\n%s", err, out)
	}
	solution, err := os.ReadFile(file + ".out")
	if err != nil {
		b.t.Fatal(err)
	}
	for line := range strings.Lines(string(solution)) { // s bas ROWS COLUMNS f f OBJECTIVE
		if fields := strings.Fields(line); len(fields) == 7 && fields[0] == "s" {
			value, err := strconv.ParseFloat(fields[6], 64)
			if err != nil || fields[4] != "f" || fields[5] != "f" {
				b.t.Fatalf("glpsol found no optimum: %s", line)
			}
			return value
		}
	}
	b.t.Fatalf("no solution in what glpsol wrote:\n%s", out)
	return 0
}

// TestAirtimeAgainstSolver holds oversubscribed fleets to the linear bound.
func TestAirtimeAgainstSolver(t *testing.T) {
	mustReach(t, testfleet.Crowded, upTo(24), reach{least: 0.99, total: 0.999, each: 1})
}

// TestPrioritiesAgainstSolver is the same with priorities.
func TestPrioritiesAgainstSolver(t *testing.T) {
	mustReach(t, testfleet.Preferring, upTo(12), reach{least: 0.99, total: 0.999, each: 1})
}

// TestSeveralGiveWayForOne is the one of 120 such fleets in which a chain, which asks
// one beacon for each slot, leaves the one with least at 96 where 111 would be fair:
// for one more, a beacon of its site and one that is near it on its band, both better
// off, have to give up the same slot. Whoever has most is left with 47 of 51 then.
func TestSeveralGiveWayForOne(t *testing.T) {
	boundOf(t, testfleet.Preferring(118)).hold(reach{least: 0.99, total: 0.997, each: 0.95})
}

// TestQuietSharesAgainstSolver is the same with quiet shares too: which slots a site
// is silent in is part of the plan. Fleet 10 and the first two after the first twelve
// are those of 120 in which chains that reach each beacon only once, from a pass that
// saves quiet shares for later, leave too much; in the last one a quiet share and
// a beacon at another site stand together in the way of one that is short.
func TestQuietSharesAgainstSolver(t *testing.T) {
	list := upTo(12)
	if !testing.Short() {
		list = append(list, 64, 70, 118)
	}
	mustReach(t, testfleet.Quiet, list, quietReach)
}

var quietReach = reach{least: 0.99, total: 0.999, each: 1}

// upTo lists so many seeds, and fewer in short.
func upTo(all uint64) (list []uint64) {
	for seed := range seeds(all) {
		list = append(list, seed)
	}
	return list
}

// reach is how near a plan is to come to the bound: the least level within one
// transmission besides, the total, and what each beacon gets, within one below the
// whole number.
type reach struct{ least, total, each float64 }

// mustReach holds fleets of a kind to the bound.
func mustReach(t *testing.T, kind func(seed uint64) *testfleet.File, list []uint64, reach reach) {
	for _, seed := range list {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { boundOf(t, kind(seed)).hold(reach) })
	}
}

func boundOf(t *testing.T, file *testfleet.File) *bound {
	return newBound(t, planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)})
}

func (b *bound) hold(reach reach) {
	t, in := b.t, planner.Input{Fleet: b.f, From: from, To: from.Add(day)}
	p := makePlan(t, in)
	mustHold(t, in, p)
	fair := b.fairShares()
	granted := plan.Measure(in.Fleet, p, plan.Extra{}).Beacons
	least, leastBound := math.Inf(1), math.Inf(1)
	total, totalBound := 0.0, 0.0
	for i, g := range granted {
		if b.demands[i] == 0 {
			continue
		}
		got, share := float64(g.Granted), fair[i]*b.demands[i]
		total, totalBound = total+got, totalBound+share
		leastBound = min(leastBound, fair[i]/b.priority(i))
		least = min(least, max(got+1, got/reach.least)/b.demands[i]/b.priority(i))
		if got < math.Floor(reach.each*share+1e-6)-1 {
			t.Errorf("%s gets %.0f of %.0f; its fair share is %.2f", g.Beacon, got, b.demands[i], share)
		}
	}
	t.Logf("least within %.4f of bound %.4f, total %.0f of %.2f", least, leastBound, total, totalBound)
	if least < leastBound-1e-6 {
		t.Errorf("least level is more than a transmission below %.2f of the bound %.4f", reach.least, leastBound)
	}
	if total < reach.total*totalBound {
		t.Errorf("total airtime %.0f, fair shares are %.2f", total, totalBound)
	}
}
