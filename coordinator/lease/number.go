package lease

import "cmp"

// Number numbers the orders of one beacon: by epoch, then revision. The zero
// value is none.
type Number struct{ Epoch, Revision uint64 }

// Compare is negative, zero or positive as n is lower than, equal to or higher
// than m.
func (n Number) Compare(m Number) int {
	return cmp.Or(cmp.Compare(n.Epoch, m.Epoch), cmp.Compare(n.Revision, m.Revision))
}

// IsZero says whether n is none.
func (n Number) IsZero() bool { return n == Number{} }
