package plan

import (
	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/slot"
)

// Demand returns how many transmissions a beacon wants when so many slots are
// open to it: floor(min(share, 1/(rest+1)) · open).
func Demand(b *fleet.Beacon, open int64) int64 { return b.Rate().MulFloor(open) }

// DemandSince returns what a beacon wants in a plan, in which open slots are open
// to it, when before of them were open from the start of the history to the
// start of the plan: what it wants since the history's start, less what it
// wanted until the plan's. A small share so gets its turn.
func DemandSince(b *fleet.Beacon, before, open int64) int64 {
	return Demand(b, before+open) - Demand(b, before)
}

// Want is what one beacon wants in a plan and in the history before it.
type Want struct {
	OpenBefore int64 // slots open to it from the history's start to the plan's
	Open       int64 // slots open to it in the plan
	Before     int64 // what it wanted in the history
	Demand     int64 // what it wants in the plan
}

// Wants returns the want of each beacon, in the fleet's order. history may be
// nil; only its start matters here.
func Wants(f *fleet.Fleet, p, history *Plan) []Want {
	length := f.Network.Slot
	first, end := length.Starting(p.From, p.To)
	since := first
	if history != nil {
		since = min(since, firstSlot(length, history))
	}
	open, before := openSlots(f, first, end), openSlots(f, since, first)
	wants := make([]Want, len(f.Beacons))
	for i, b := range f.Beacons {
		wants[i] = Want{before[i], open[i], Demand(b, before[i]), DemandSince(b, before[i], open[i])}
	}
	return wants
}

// openSlots counts the slots open to each beacon, in pieces, so that a long
// history does not need much memory.
func openSlots(f *fleet.Fleet, first, end slot.Number) []int64 {
	const piece = 8192 // slots
	counts := make([]int64, len(f.Beacons))
	for ; first < end; first += piece {
		o := f.Openings(first, min(first+piece, end))
		for i := range counts {
			counts[i] += o.OpenSlots(i)
		}
	}
	return counts
}
