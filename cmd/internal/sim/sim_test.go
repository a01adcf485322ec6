package sim

import (
	"flag"
	"fmt"
	"slices"
	"testing"
	"time"
)

var (
	firstSeed = flag.Uint64("first", 1, "the first seed of TestSeeds")
	seeds     = flag.Int("seeds", 0, "how many seeds TestSeeds runs; 0: a few. The gate says 60")
	hours     = flag.Int("hours", 24, "how many hours of each")
	reachAll  = flag.Bool("reach", false, "whether every point of reach_test.go must be reached")
)

// trial is what a seed stands for: one invented network, and all kinds of faults.
func trialOf(seed uint64, long time.Duration) (Options, error) {
	december := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	began := december.Add(time.Duration(seed%700) * 13 * time.Hour)
	fleets, err := TrialFleets(seed, began)
	return Options{
		Seed: seed, Fleets: fleets, Began: began, Long: long, Calm: 45 * time.Minute, Ahead: 6 * time.Hour, Storm: true, Judged: 3,
	}, err
}

func play(t testing.TB, seed uint64, long time.Duration) Result {
	t.Helper()
	o, err := trialOf(seed, long)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Run(o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// calmWorld is a world at its beginning to which nothing happens but what a test does.
func calmWorld(t *testing.T, seed uint64, long time.Duration) (*world, Options) {
	t.Helper()
	o, err := trialOf(seed, long)
	if err != nil {
		t.Fatal(err)
	}
	o.Storm = false
	w, err := newWorld(o)
	if err != nil {
		t.Fatal(err)
	}
	w.begin()
	return w, o
}

// All promises hold, whatever happens; and when nothing happens any more the
// fleet goes back to work.
func TestSeeds(t *testing.T) {
	n, long := *seeds, time.Duration(*hours)*time.Hour
	switch {
	case n > 0:
	case testing.Short():
		n, long = 3, 6*time.Hour
	default:
		n, long = 6, 12*time.Hour
	}
	began := cpu()
	reached := make([]map[string]int, n)
	traces := make([]uint64, n)
	t.Run("all", func(t *testing.T) {
		for i := range n {
			seed := *firstSeed + uint64(i)
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				r := play(t, seed, long)
				reached[i], traces[i] = r.Reached, r.Trace
				for _, v := range r.Violations {
					t.Error(v)
				}
			})
		}
	})
	spent := cpu() - began
	simulated := time.Duration(n) * long
	t.Logf("%d seeds of %v: %.0f s of one core, %.1f hours a second", n, long, spent.Seconds(), simulated.Hours()/spent.Seconds())
	all := traceStart
	for _, one := range traces {
		all.number(one)
	}
	t.Logf("trace of all: %x", uint64(all)) // the same, where nothing has changed but the speed
	missed := 0
	for _, point := range points {
		if !slices.ContainsFunc(reached, func(r map[string]int) bool { return r[point] > 0 }) {
			missed++
			if *reachAll {
				t.Errorf("never reached: %s", point)
			} else {
				t.Logf("not reached: %s", point)
			}
		}
	}
	t.Logf("%d of %d points reached", len(points)-missed, len(points))
}

// One seed is one run: whoever plays it again sees the same.
func TestASeedIsReplayed(t *testing.T) {
	first, second := play(t, 7, 4*time.Hour), play(t, 7, 4*time.Hour)
	if first.Trace != second.Trace {
		t.Errorf("trace %x, and then %x", first.Trace, second.Trace)
	}
	if other := play(t, 8, 4*time.Hour); other.Trace == first.Trace {
		t.Error("another seed gives the same run")
	}
}
