package planner

import (
	"cmp"
	"slices"
)

// ledger keeps a beacon's count on each band beside what its weights ask for.
type ledger struct {
	asked []int64 // fixed point
	had   []int64 // fixed point
	part  []int64 // of the slot last looked at, fixed point
}

func newLedger(uses int) ledger {
	return ledger{asked: make([]int64, uses), had: make([]int64, uses), part: make([]int64, uses)}
}

// shares returns the part of one transmission in slot t that each band is owed:
// its weight among those that are open.
func (l *ledger) shares(x *beacon, t int) []int64 {
	shares := l.part
	clear(shares)
	total := int64(0)
	for u := range x.uses {
		if x.uses[u].opens(t) {
			total += x.uses[u].weight
		}
	}
	if total == 0 {
		return shares
	}
	for u := range x.uses {
		if x.uses[u].opens(t) {
			shares[u] = scale(one, x.uses[u].weight, total, one)
		}
	}
	return shares
}

// near is how close to a limit still counts as beyond it, for what rounding of
// shares may cost.
const near = one >> 24

// choices lists the bands that keep every count within one of what is asked,
// the most urgent first. must tells that another would break it.
func (l *ledger) choices(x *beacon, t int) (list []int, must bool) {
	shares := l.shares(x, t)
	owed := func(u int) int64 { return l.asked[u] + shares[u] - l.had[u] }
	for u := range x.uses {
		if shares[u] > 0 && owed(u) > near {
			list = append(list, u)
			must = must || owed(u) >= one-near
		}
	}
	if must {
		list = slices.DeleteFunc(list, func(u int) bool { return owed(u) < one-near })
		slices.SortStableFunc(list, func(u, v int) int { return cmp.Compare(owed(v), owed(u)) })
		return list, true
	}
	slices.SortStableFunc(list, func(u, v int) int { // (one − owed)/share rising
		return cmp.Compare(scale(one-owed(u), one, shares[u], 1<<62), scale(one-owed(v), one, shares[v], 1<<62))
	})
	return list, false
}

// canWait tells whether, when choice i is taken now, every other choice can still
// have its turn before it is owed a whole transmission. It uses the shares of
// the slot last looked at.
func (l *ledger) canWait(choices []int, i int) bool {
	turn := int64(0)
	for j, u := range choices { // by deadline
		if j == i {
			continue
		}
		turn++
		if left := one - near - l.asked[u] - l.part[u] + l.had[u]; left <= (turn-1)*l.part[u] {
			return false
		}
	}
	return true
}

// others lists the open bands that are not among the choices, those owed most
// first.
func (l *ledger) others(x *beacon, t int, choices []int) []int {
	shares := l.shares(x, t)
	var list []int
	for u := range x.uses {
		if x.uses[u].opens(t) && !slices.Contains(choices, u) {
			list = append(list, u)
		}
	}
	slices.SortStableFunc(list, func(u, v int) int {
		return cmp.Compare(l.asked[v]+shares[v]-l.had[v], l.asked[u]+shares[u]-l.had[u])
	})
	return list
}

// book enters a transmission.
func (l *ledger) book(x *beacon, t, used int) {
	shares := l.shares(x, t)
	for u := range x.uses {
		l.asked[u] += shares[u]
	}
	l.had[used] += one
}
