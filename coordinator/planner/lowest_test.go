package planner

import (
	"fmt"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/planner/testfleet"
)

// raises lists every way in which a beacon that is short could have one more
// transmission at once: in a slot that is free for it, or in place of a single
// one of a beacon that stays better off. Unlike the search by lot with the checker
// it misses none, but it believes what the board says.
func (b *board) raises() (list []string) {
	for id := range b.beacons[:b.count] {
		x := &b.beacons[id]
		if len(b.sent[id]) >= x.demand {
			continue
		}
		own := b.view(id, -1)
		for t := b.frozen; t < b.slots; t++ {
			if own.limits(t) != 0 {
				continue
			}
			for u := range x.uses {
				if loser, ok := b.raiseAt(id, u, t); ok {
					list = append(list, fmt.Sprintf("%s (%d of %d) in slot %d on %s %s", x.name, len(b.sent[id]), x.demand, t, x.uses[u].source, loser))
				}
			}
		}
	}
	return list
}

func (b *board) raiseAt(id, u, t int) (loser string, ok bool) {
	if b.limits(id, u, t, true) == 0 {
		return "", true
	}
	for k := range b.bands {
		for _, g := range append([]signal(nil), *b.cell(t, int32(k))...) {
			other := int(g.beacon)
			if g.kind != planned || b.compare(other, len(b.sent[other])-1, id, len(b.sent[id])) <= 0 {
				continue
			}
			was := b.take(other, t)
			free := b.limits(id, u, t, true) == 0
			b.put(other, t, int(was.use), was.kind, was.hz)
			if free {
				return "in place of " + b.beacons[other].name, true
			}
		}
	}
	return "", false
}

func TestNobodyCanBeRaised(t *testing.T) {
	seeds := uint64(60)
	if testing.Short() {
		seeds = 6
	}
	mustBeLevel(t, seeds)
}

// TestWhoWasToMoveOthersAlongMayJustLeave: in this fleet a beacon could have room made
// for another by having the rest of its site move along to another slot, which turned
// out to be against a rule, or by giving up its own.
func TestWhoWasToMoveOthersAlongMayJustLeave(t *testing.T) { mustBeLevelFrom(t, 397, 398) }

// mustBeLevel plans a day of so many fleets of each kind and finds no raise.
func mustBeLevel(t *testing.T, seeds uint64) {
	t.Helper()
	mustBeLevelFrom(t, 0, seeds)
}

func mustBeLevelFrom(t *testing.T, first, end uint64) {
	t.Helper()
	from := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	for seed := first; seed < end; seed++ {
		for name, file := range map[string]*testfleet.File{
			"random": testfleet.Random(seed), "crowded": testfleet.Crowded(seed), "preferring": testfleet.Preferring(seed), "quiet": testfleet.Quiet(seed),
		} {
			f, err := fleet.Read("fleet.yaml", file.Text())
			if err != nil {
				t.Fatal(err)
			}
			b, err := solve(Input{Fleet: f, From: from, To: from.Add(24 * time.Hour)}, nil)
			if err != nil {
				t.Fatal(err)
			}
			for _, raise := range b.raises() {
				t.Errorf("%s %d: %s", name, seed, raise)
				break
			}
		}
		if seed%100 == 99 {
			t.Logf("%d fleets of each kind", seed+1)
		}
	}
}
