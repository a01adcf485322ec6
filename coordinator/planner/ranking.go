package planner

import (
	"cmp"
	"container/heap"
)

// ranking gives the beacon with least first.
type ranking struct {
	*leveller
	list []rankedBeacon
}

type rankedBeacon struct{ id, granted int }

func newRanking(l *leveller) *ranking {
	r := &ranking{leveller: l}
	for id := range l.beacons[:l.count] {
		if granted := len(l.sent[id]); granted < l.aim[id] {
			r.list = append(r.list, rankedBeacon{id, granted})
		}
	}
	heap.Init(r)
	return r
}

func (r *ranking) push(id int) { heap.Push(r, rankedBeacon{id, len(r.sent[id])}) }

// pop returns the lowest; what has changed since it was pushed comes again.
func (r *ranking) pop() int { return heap.Pop(r).(rankedBeacon).id }

func (r *ranking) Len() int { return len(r.list) }
func (r *ranking) Less(i, j int) bool {
	a, b := r.list[i], r.list[j]
	return cmp.Or(r.compare(a.id, a.granted, b.id, b.granted), cmp.Compare(a.id, b.id)) < 0
}
func (r *ranking) Swap(i, j int) { r.list[i], r.list[j] = r.list[j], r.list[i] }
func (r *ranking) Push(x any)    { r.list = append(r.list, x.(rankedBeacon)) }
func (r *ranking) Pop() any {
	last := r.list[len(r.list)-1]
	r.list = r.list[:len(r.list)-1]
	return last
}
