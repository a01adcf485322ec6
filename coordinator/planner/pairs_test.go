package planner_test

import (
	"testing"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/planner/testfleet"
)

// TestPairs: every extended message follows its full one, and of the sequence
// as it stands as many pairs are formed as rule 8 allows. The most is counted
// here by another way than the planner's, from the last transmission backwards.
func TestPairs(t *testing.T) {
	formed := 0
	for seed := range seeds(100) {
		file := testfleet.Random(seed)
		for _, b := range file.Beacons {
			b["announce"] = 6
		}
		in := planner.Input{Fleet: read(t, file), From: from, To: from.Add(day)}
		p := makePlan(t, in)
		mustHold(t, in, p)
		sequences := map[string][]plan.Transmission{}
		for _, x := range p.Transmissions {
			sequences[x.Beacon] = append(sequences[x.Beacon], x)
		}
		for name, list := range sequences {
			pairs := 0
			for i, x := range list {
				if x.Message != plan.Extended {
					continue
				}
				pairs++
				if i == 0 || !completes(list[i-1], x) {
					t.Fatalf("fleet %d: %s tears a pair at %v", seed, name, x.Start)
				}
			}
			if most := mostPairs(list); pairs != most {
				t.Errorf("fleet %d: %s forms %d pairs, %d are possible", seed, name, pairs, most)
			}
			formed += pairs
		}
	}
	if formed == 0 {
		t.Error("no pair was formed: the test shows nothing")
	}
}

func completes(full, extended plan.Transmission) bool {
	return full.Message != plan.Extended && full.Band == extended.Band && extended.Start.Sub(full.Start) <= 8*time.Minute
}

// mostPairs is the largest number of neighbours in a sequence that can be
// paired, none twice.
func mostPairs(list []plan.Transmission) int {
	without, with := 0, 0 // of what follows; with the next one still free
	for i := len(list) - 2; i >= 0; i-- {
		here := with
		if list[i].Band == list[i+1].Band && list[i+1].Start.Sub(list[i].Start) <= 8*time.Minute {
			here = max(here, 1+without)
		}
		without, with = with, here
	}
	return with
}

// TestPairsAreMadePossible: where four beacons fill a site, each sends every
// fourth slot, just near enough for pairs; bands are chosen so that a quarter at
// least of what is sent completes one. Half would be all.
func TestPairsAreMadePossible(t *testing.T) {
	in := planner.Input{Fleet: read(t, testfleet.Pathological()["pairs"]), From: from, To: from.Add(day)}
	p := makePlan(t, in)
	mustHold(t, in, p)
	extended := 0
	for _, x := range p.Transmissions {
		if x.Message == plan.Extended {
			extended++
		}
	}
	t.Logf("%d of %d are extended", extended, len(p.Transmissions))
	if extended*4 < len(p.Transmissions) {
		t.Errorf("%d of %d complete a pair", extended, len(p.Transmissions))
	}
}
