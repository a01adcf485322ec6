package fleet

import "math/bits"

// bitset is a row of bits, one per slot.
type bitset []uint64

func newBitset(n int) bitset { return make(bitset, (n+63)/64) }

func (b bitset) has(i int) bool { return b[i/64]>>(i%64)&1 == 1 }

func (b bitset) setRange(from, to int) {
	b.each(from, to, func(word int, mask uint64) { b[word] |= mask })
}

func (b bitset) clearRange(from, to int) {
	b.each(from, to, func(word int, mask uint64) { b[word] &^= mask })
}

func (b bitset) count(from, to int) (n int) {
	b.each(from, to, func(word int, mask uint64) { n += bits.OnesCount64(b[word] & mask) })
	return n
}

// each calls do for every word that holds bits of [from, to), with their mask.
func (b bitset) each(from, to int, do func(word int, mask uint64)) {
	for from < to {
		word, low := from/64, from%64
		mask := ^uint64(0) << low
		if rest := 64*(word+1) - to; rest > 0 {
			mask &= ^uint64(0) >> rest
		}
		do(word, mask)
		from = 64 * (word + 1)
	}
}

// copyFrom fills another set with the bits from one on.
func (b bitset) copyFrom(from int, into bitset) {
	word, low := from/64, from%64
	for i := range into {
		into[i] = b[word+i] >> low
		if low > 0 && word+i+1 < len(b) {
			into[i] |= b[word+i+1] << (64 - low)
		}
	}
}

func (b bitset) and(other bitset) {
	for i := range b {
		b[i] &= other[i]
	}
}

func (b bitset) or(other bitset) {
	for i := range b {
		b[i] |= other[i]
	}
}
