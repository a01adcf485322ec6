package planner

import "cmp"

// request is a beacon that waits for its next transmission.
type request struct {
	id       int32
	job      int // transmissions before it
	deadline int
	tie      uint64
}

func (r request) before(other request) bool {
	return cmp.Or(cmp.Compare(r.deadline, other.deadline), cmp.Compare(r.tie, other.tie), cmp.Compare(r.id, other.id)) < 0
}

// queue is a heap, the earliest deadline on top.
type queue []request

func (q *queue) push(r request) {
	list := append(*q, r)
	i := len(list) - 1
	for i > 0 {
		up := (i - 1) / 2
		if !r.before(list[up]) {
			break
		}
		list[i] = list[up]
		i = up
	}
	list[i] = r
	*q = list
}

func (q *queue) pop() request {
	list := *q
	top, last := list[0], list[len(list)-1]
	list = list[:len(list)-1]
	*q = list
	if len(list) == 0 {
		return top
	}
	i := 0
	for {
		down := 2*i + 1
		if down >= len(list) {
			break
		}
		if down+1 < len(list) && list[down+1].before(list[down]) {
			down++
		}
		if !list[down].before(last) {
			break
		}
		list[i] = list[down]
		i = down
	}
	list[i] = last
	return top
}
