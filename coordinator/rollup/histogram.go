package rollup

import (
	"cmp"
	"math"
	"slices"
)

// Bucket says how many samples have a value.
type Bucket struct{ Value, Count int64 }

// Histogram counts values, ascending.
type Histogram []Bucket

// RoundUp gives the least number of at most three significant digits that is
// not below v; v must not be negative.
func RoundUp(v int64) int64 {
	unit := int64(1)
	for v/unit >= 1000 {
		unit *= 10
	}
	rounded := v / unit
	if v%unit > 0 {
		rounded++
	}
	if rounded > math.MaxInt64/unit { // beyond what can be said
		return v
	}
	return rounded * unit
}

// NewHistogram counts values, rounded up.
func NewHistogram(values []int64) Histogram {
	rounded := make([]int64, len(values))
	for i, v := range values {
		rounded[i] = RoundUp(v)
	}
	slices.Sort(rounded)
	var h Histogram
	for _, v := range rounded {
		if n := len(h); n > 0 && h[n-1].Value == v {
			h[n-1].Count++
			continue
		}
		h = append(h, Bucket{v, 1})
	}
	return h
}

// Add counts the values of another one too, which stays as it is. Once the
// values are known it needs no memory.
func (h *Histogram) Add(other Histogram) {
	if len(other) == 0 {
		return
	}
	missing := 0
	for from, b := 0, other; len(b) > 0; b = b[1:] {
		i, found := slices.BinarySearchFunc((*h)[from:], b[0].Value, func(a Bucket, v int64) int { return cmp.Compare(a.Value, v) })
		if from += i; found {
			(*h)[from].Count += b[0].Count
		} else {
			missing++
		}
	}
	if missing > 0 {
		*h = h.with(other, missing)
	}
}

// with adds the values of another one that are missing here.
func (h *Histogram) with(other Histogram, missing int) Histogram {
	old := *h
	merged := make(Histogram, 0, len(old)+missing)
	for len(old) > 0 && len(other) > 0 {
		switch cmp.Compare(old[0].Value, other[0].Value) {
		case -1:
			merged, old = append(merged, old[0]), old[1:]
		case 1:
			merged, other = append(merged, other[0]), other[1:]
		default: // counted already
			merged, old, other = append(merged, old[0]), old[1:], other[1:]
		}
	}
	return append(append(merged, old...), other...)
}

// Count is the number of samples.
func (h Histogram) Count() (n int64) {
	for _, b := range h {
		n += b.Count
	}
	return n
}

// Percentile is the least value that at least p percent of the samples do not
// exceed (the nearest-rank method), 0 < p <= 100; false: there are no samples.
func (h Histogram) Percentile(p float64) (int64, bool) {
	rank := max(1, int64(math.Ceil(p/100*float64(h.Count()))))
	for _, b := range h {
		if rank -= b.Count; rank <= 0 {
			return b.Value, true
		}
	}
	return 0, false
}

// Columns takes the histogram apart for a table.
func (h Histogram) Columns() (values, counts []int64) {
	values, counts = make([]int64, len(h)), make([]int64, len(h))
	for i, b := range h {
		values[i], counts[i] = b.Value, b.Count
	}
	return values, counts
}

// FromColumns is a histogram that Columns took apart.
func FromColumns(values, counts []int64) Histogram {
	h := make(Histogram, 0, len(values))
	for i := range min(len(values), len(counts)) {
		h = append(h, Bucket{values[i], counts[i]})
	}
	return h
}
