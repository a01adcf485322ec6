package store_test

import (
	"context"
	"slices"
	"testing"

	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

// Whatever changes of the hush states, their tallies change: also where one
// beacon leaves an epoch and another one counts on in it.
func TestTalliesOfHushStatesTellOfEachChange(t *testing.T) {
	s := storetest.New(t)
	var epoch uint64
	save := func(beacon string) {
		t.Helper()
		asLeader(t, s, epoch, func(ctx context.Context, tx *store.LeaderTx) error {
			next, err := tx.NextHushNumbers(ctx, []string{beacon})
			if err != nil {
				return err
			}
			return tx.SaveHushStates(ctx, store.HushState{Beacon: beacon, Number: next[beacon], Payload: []byte{1}})
		})
	}
	tally := func() []store.HushTally {
		t.Helper()
		tallies, err := s.HushTallies(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return tallies
	}
	before := tally()
	if len(before) != 0 {
		t.Fatalf("nobody was hushed: %v", before)
	}
	for range 2 {
		epoch = takeLead(t, s)
		for _, beacon := range []string{"x", "y", "x", "y", "y", "z"} {
			save(beacon)
			after := tally()
			if slices.Equal(before, after) {
				t.Errorf("epoch %d, %s: still %v", epoch, beacon, after)
			}
			if before = tally(); !slices.Equal(before, after) {
				t.Errorf("asked twice: %v, then %v", after, before)
			}
		}
	}
	if want := []store.HushTally{{Epoch: int64(epoch), Beacons: 3, Numbers: 2 + 3 + 1}}; !slices.Equal(before, want) {
		t.Errorf("%v, want %v", before, want)
	}
}
