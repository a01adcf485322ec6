package planner

import "slices"

// amplifierSpan is the number of consecutive slots to which max_in_30min
// applies.
const amplifierSpan = 15

// view is a beacon's own use of time: it tells where one more transmission
// would keep rest, rule 6 and the amplifier's limit. Building it costs one walk
// over the beacon's transmissions; each question then costs next to nothing.
type view struct {
	x     *beacon
	times []int32 // history, sent and leased, rising
	peak  []int64 // greatest num·slot − den·index before each
	low   []int64 // least of the same from each on
}

// view looks at a beacon, as if it did not send in slot without (-1: none).
func (b *board) view(id, without int) *view {
	v := &view{}
	b.look(v, id, without)
	return v
}

// look fills a view, reusing its memory.
func (b *board) look(v *view, id, without int) {
	x := &b.beacons[id]
	v.x = x
	v.times = append(v.times[:0], x.history...)
	lease := b.lease[id]
	for _, s := range b.sent[id] {
		for len(lease) > 0 && lease[0].slot <= s.slot {
			if lease[0].slot < s.slot && int(lease[0].slot) != without {
				v.times = append(v.times, lease[0].slot)
			}
			lease = lease[1:]
		}
		if int(s.slot) != without {
			v.times = append(v.times, s.slot)
		}
	}
	for _, s := range lease {
		if int(s.slot) != without {
			v.times = append(v.times, s.slot)
		}
	}
	v.measure()
}

func (v *view) measure() {
	n := len(v.times)
	v.peak = slices.Grow(v.peak[:0], n+1)[:n+1]
	v.low = slices.Grow(v.low[:0], n+1)[:n+1]
	v.peak[0], v.low[n] = noPeak, -noPeak
	for i, t := range v.times {
		v.peak[i+1] = max(v.peak[i], v.value(t, i))
	}
	for i := n - 1; i >= 0; i-- {
		v.low[i] = min(v.low[i+1], v.value(v.times[i], i))
	}
}

func (v *view) value(t int32, i int) int64 { return v.x.num*int64(t) - v.x.den*int64(i) }

// limits returns what in the beacon's own use of time forbids slot t.
func (v *view) limits(t int) Limit {
	at, busy := slices.BinarySearch(v.times, int32(t))
	if busy {
		return LimitBusy
	}
	var found Limit
	if at > 0 && t-int(v.times[at-1]) <= v.x.rest || at < len(v.times) && int(v.times[at])-t <= v.x.rest {
		found |= LimitRest
	}
	// Over k slots at most ceil(share·k)+1: for i before j, value(i) − value(j)
	// stays below num + den. Those after t move up by one index.
	value, most := v.value(int32(t), at), v.x.num+v.x.den
	if v.peak[at] != noPeak && v.peak[at]-value >= most ||
		v.low[at] != -noPeak && max(v.peak[at], value)-(v.low[at]-v.x.den) >= most {
		found |= LimitRate
	}
	if v.x.amplifier > 0 && v.hot(t, at) {
		found |= LimitAmplifier
	}
	return found
}

// hot tells whether slot t, put at index at, makes one too many in some run of
// consecutive slots.
func (v *view) hot(t, at int) bool {
	with := func(i int) int {
		switch {
		case i < at:
			return int(v.times[i])
		case i == at:
			return t
		}
		return int(v.times[i-1])
	}
	n := v.x.amplifier
	for i := max(0, at-n); i <= at && i+n <= len(v.times); i++ {
		if with(i+n)-with(i) < amplifierSpan {
			return true
		}
	}
	return false
}
