package planner

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/planner/testfleet"
)

// TestLittleIsMovedForFairness: of the plan in force that may stay, fairness moves one
// transmission in a hundred at most, in all its rounds together.
func TestLittleIsMovedForFairness(t *testing.T) {
	from := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	first, moved, most := uint64(0), 0, 0
	if testing.Short() {
		first = 57
	}
	for seed := first; seed < 60; seed++ {
		crowded := func() *testfleet.File { return testfleet.Random(seed).Oversubscribe(3) }
		in := Input{Fleet: readFile(t, crowded()), From: from, To: from.Add(24 * time.Hour)}
		before, err := Make(in, nil)
		if err != nil {
			t.Fatal(err)
		}
		in.Previous = before
		for name, change := range map[string]func(*testfleet.File){
			"one asks for more":       func(f *testfleet.File) { f.Beacons[0]["share"] = 0.9 },
			"one counts for more":     func(f *testfleet.File) { f.Beacons[0]["priority"] = 3 },
			"all others ask for less": func(f *testfleet.File) { each(f, "share", 0.05); f.Beacons[0]["share"] = 0.5 },
		} {
			file := crowded()
			change(file)
			in.Fleet = readFile(t, file)
			start := func() (*board, []pool, []int) {
				b := newBoard(newModel(in))
				pools := b.pools()
				return b, pools, b.targets(b.fill(pools))
			}
			stays, pools, targets := start()
			stays.keep(in.Previous, pools, targets)
			may := stays.moves
			b, _, _ := start()
			if b, err = settle(b, in, nil); err != nil {
				t.Fatal(err)
			}
			gone := stays.ofKind(kept) - b.ofKind(kept)
			moved, most = moved+gone, max(most, gone-may)
			if gone > may {
				t.Errorf("fleet %d, %s: %d moved, and %d of %d may be", seed, name, gone, may, len(before.Transmissions))
			}
		}
	}
	t.Logf("%d moved in all, at most %d more than may be", moved, most)
	if moved == 0 {
		t.Error("nothing was ever moved for fairness")
	}
}

// ofKind counts what is on the board for a reason.
func (b *board) ofKind(k kind) (n int) {
	for _, list := range b.sent {
		for _, s := range list {
			if s.kind == k {
				n++
			}
		}
	}
	return n
}

// TestKeepTogether: keeping beacon by beacon, where all have room, leaves the same
// on the board as asking slot by slot, whether the fleet is as it was, a beacon has
// left, or signals that stood clear of each other no longer do.
func TestKeepTogether(t *testing.T) {
	from := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	outcomes := map[bool]int{}
	seeds := uint64(40)
	if testing.Short() {
		seeds = 4
	}
	for seed := range seeds {
		in := Input{Fleet: readFile(t, testfleet.Random(seed)), From: from, To: from.Add(24 * time.Hour)}
		before, err := Make(in, nil)
		if err != nil {
			t.Fatal(err)
		}
		in.Previous = before
		for name, change := range map[string]func(*testfleet.File){
			"nothing":     func(*testfleet.File) {},
			"site":        func(f *testfleet.File) { f.Network["near_km"] = 400 },
			"guard":       func(f *testfleet.File) { f.Network["guard_hz"] = 15 },
			"fewer":       func(f *testfleet.File) { f.Network["max_signals_per_band"] = 1 },
			"uncertainty": func(f *testfleet.File) { each(f, "uncertainty_ppm", 0.4) },
			"share":       func(f *testfleet.File) { each(f, "share", 0.1) },
		} {
			file := testfleet.Random(seed)
			change(file)
			in.Fleet = readFile(t, file)
			start := func() (*board, *keeper) {
				b := newBoard(newModel(in))
				pools := b.pools()
				before := b.read(in.Previous, nil)
				return b, newKeeper(b, before, b.portions(in.Previous, before, pools, b.targets(b.fill(pools))))
			}
			quick, k := start()
			k.inOrder(quick.standing())
			all := k.together()
			outcomes[all]++
			slow, k := start()
			k.inOrder(slow.slots)
			if all && !(reflect.DeepEqual(quick.sent, slow.sent) && slices.EqualFunc(quick.cells, slow.cells, slices.Equal) && slices.Equal(quick.load, slow.load)) {
				t.Errorf("fleet %d, %s changed: what is kept together is not what is kept slot by slot", seed, name)
			}
			if !all && total(slow.sent) == total(slow.read(in.Previous, nil)) {
				t.Errorf("fleet %d, %s changed: all could be kept, and together they were not", seed, name)
			}
		}
	}
	if outcomes[true] == 0 || outcomes[false] == 0 {
		t.Errorf("all had room %d times and had none %d times: each should happen", outcomes[true], outcomes[false])
	}
}

func total(lists [][]sending) (n int) {
	for _, list := range lists {
		n += len(list)
	}
	return n
}

func each(f *testfleet.File, key string, value any) {
	for _, b := range f.Beacons {
		b[key] = value
	}
}

func readFile(t *testing.T, file *testfleet.File) *fleet.Fleet {
	f, err := fleet.Read("fleet.yaml", file.Text())
	if err != nil {
		t.Fatal(err)
	}
	return f
}
