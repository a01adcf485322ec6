package planner

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/planner/testfleet"
)

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
