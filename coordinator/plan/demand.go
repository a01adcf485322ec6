package plan

import "lamplighter/coordinator/fleet"

// Demand returns how many transmissions a beacon wants at most in slots of which
// open are open to it: floor(min(share, 1/(rest+1)) · open). With history, what
// it wants between two instants is the difference of the demands counted from
// the history's start: see DemandSince.
func Demand(b *fleet.Beacon, open int64) int64 { return b.Rate().MulFloor(open) }

// DemandSince returns what a beacon wants in the plan when before slots were open
// to it between the history's start and the plan's, and open in the plan.
func DemandSince(b *fleet.Beacon, before, open int64) int64 {
	return Demand(b, before+open) - Demand(b, before)
}
