package planner

// tail is what is needed to append to a beacon's transmissions: it asks of a
// slot after all of them what a view asks of any slot.
type tail struct {
	last  int32
	index int
	peak  int64 // greatest num·slot − den·index so far
}

// noPeak stands for no transmission yet.
const noPeak = int64(-1) << 62

// tail starts behind a beacon's history.
func (b *beacon) tail() tail {
	p := tail{last: -1 << 30, peak: noPeak}
	for _, t := range b.history {
		p.add(b, int(t))
	}
	return p
}

func (p *tail) value(x *beacon, t int) int64 { return x.num*int64(t) - x.den*int64(p.index) }

// allows asks rest and rule 6.
func (p *tail) allows(x *beacon, t int) bool {
	return t-int(p.last) > x.rest && (p.peak == noPeak || p.peak-p.value(x, t) < x.num+x.den)
}

func (p *tail) add(x *beacon, t int) {
	p.peak = max(p.peak, p.value(x, t))
	p.index++
	p.last = int32(t)
}
