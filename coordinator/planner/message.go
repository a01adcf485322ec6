package planner

import (
	"time"

	"lamplighter/coordinator/plan"
)

// pairSpan is how long after a full message an extended one may start.
const pairSpan = 8 * time.Minute

// messages says what each of a beacon's transmissions carries: an extended
// message wherever the one before was full, on the same band and recent enough.
// It is nil for a beacon that sends no pairs.
func (b *board) messages(id int) []plan.Message {
	x := &b.beacons[id]
	if !x.pairs {
		return nil
	}
	list := make([]plan.Message, len(b.sent[id]))
	last := x.lastFull
	for i, s := range b.sent[id] {
		band := x.uses[s.use].band
		if last.full && last.band == band && b.within(last.slot, int(s.slot)) {
			list[i] = plan.Extended
			last.full = false
			continue
		}
		last = lastMessage{full: true, band: band, slot: int(s.slot)}
	}
	return list
}

// lastMessage is what a beacon has sent before.
type lastMessage struct {
	full bool
	band int32
	slot int
}

func (m *model) within(from, to int) bool {
	return time.Duration(to-from)*m.length.Duration() <= pairSpan
}
