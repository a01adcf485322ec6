package planner

import "math/bits"

// bitset is a set of slots of the horizon.
type bitset []uint64

func newBitset(n int) bitset { return make(bitset, (n+63)/64) }

func (b bitset) has(i int) bool { return b[i>>6]>>(uint(i)&63)&1 == 1 }

func (b bitset) or(other bitset) {
	for i, word := range other {
		b[i] |= word
	}
}

func (b bitset) count() (n int) {
	for _, word := range b {
		n += bits.OnesCount64(word)
	}
	return n
}

// ranked is a set that counts its members up to a slot, and finds the n-th.
type ranked struct {
	set    bitset
	before []int32 // members before each word
	count  int
	slots  int
}

func rank(set bitset, slots int) ranked {
	r := ranked{set: set, before: make([]int32, len(set)), slots: slots}
	for i, word := range set {
		r.before[i] = int32(r.count)
		r.count += bits.OnesCount64(word)
	}
	return r
}

// rank returns how many members lie before slot t.
func (r *ranked) rank(t int) int {
	if t >= r.slots {
		return r.count
	}
	return int(r.before[t>>6]) + bits.OnesCount64(r.set[t>>6]&(1<<(uint(t)&63)-1))
}

// at returns the slot of member n, or the number of slots if there are fewer.
func (r *ranked) at(n int) int {
	if n >= r.count {
		return r.slots
	}
	if r.count == r.slots {
		return n
	}
	low, high := 0, len(r.before)-1
	for low < high {
		mid := (low + high + 1) / 2
		if int(r.before[mid]) <= n {
			low = mid
		} else {
			high = mid - 1
		}
	}
	word := r.set[low]
	for range n - int(r.before[low]) {
		word &= word - 1
	}
	return low<<6 + bits.TrailingZeros64(word)
}
