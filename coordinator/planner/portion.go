package planner

import (
	"slices"

	"lamplighter/coordinator/plan"
)

// portion is how much of what the plan in force gives a beacon it may keep:
// most of all.
type portion struct{ seen, most, all int }

// next tells whether the next one is kept; those kept are spread evenly.
func (p *portion) next() bool {
	p.seen++
	return p.most >= p.all || p.seen*p.most/p.all > (p.seen-1)*p.most/p.all
}

// portions lets every beacon keep all of the plan in force, but for those who
// share a site, equipment or a place on a band with a newcomer: they keep what is
// fair now, since nobody else can make room.
func (b *board) portions(previous *plan.Plan, before [][]sending, pools []pool, fair []int) []portion {
	list := make([]portion, b.count)
	if previous == nil {
		return list
	}
	for i := range list {
		list[i].all, list[i].most = len(before[i]), len(before[i])
	}
	due := b.due(previous, fair)
	isNew := b.newcomers(previous, list, due)
	for _, p := range pools {
		if p.local && slices.ContainsFunc(p.members, func(id int32) bool { return isNew[id] }) {
			for _, id := range p.members {
				list[id].most = min(list[id].most, due[id])
			}
		}
	}
	return list
}

// due is what would be fair in the slots that both plans cover.
func (b *board) due(previous *plan.Plan, fair []int) []int {
	first, end := b.length.Starting(previous.From, previous.To)
	from, to := max(0, int(first-b.first)), min(b.slots, int(end-b.first))
	list := make([]int, len(fair))
	for i := range list {
		x := &b.beacons[i]
		if open := x.any.rank(to) - x.any.rank(from); to > from && open > 0 {
			list[i] = (fair[i]*open + x.any.count - 1) / x.any.count
		}
	}
	return list
}

// newcomers are those to whom the plan in force gives less than half of what would
// be fair, unless it says itself that they want that much and can't have it.
func (b *board) newcomers(previous *plan.Plan, list []portion, due []int) []bool {
	isNew := make([]bool, b.count)
	for i := range isNew {
		isNew[i] = list[i].all*2 < due[i]
	}
	for _, s := range previous.Shortfalls {
		if id := b.beaconIndex(s.Beacon); id >= 0 && s.Band == "" && s.Wanted*2 >= b.beacons[id].demand {
			isNew[id] = false
		}
	}
	return isNew
}
