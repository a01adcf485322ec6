package broker

import "time"

// ackPatience is how long an acknowledgement waits for those of older messages.
const ackPatience = time.Second

// acks puts the acknowledgements of messages in the order in which the messages
// came, as a broker wants them (MQTT 3.1.1, section 4.6) and as it finds them
// soonest: it looks for each from the oldest on. Whoever is slow to deal with a
// message, or never does, holds up the others for ackPatience only.
type acks struct {
	first   uint64 // number of the oldest that is not acknowledged
	waiting []expected
}

// expected is a message without its acknowledgement.
type expected struct {
	id    uint16 // 0: it was acknowledged out of its turn
	dealt bool
	came  time.Time
}

// expect notes that a message came, and gives its number.
func (a *acks) expect(id uint16, now time.Time) uint64 {
	a.waiting = append(a.waiting, expected{id: id, came: now})
	return a.first + uint64(len(a.waiting)) - 1
}

// done notes that a message was dealt with, and says whether it was the oldest.
func (a *acks) done(order uint64) bool {
	if order < a.first {
		return false // said twice
	}
	a.waiting[order-a.first].dealt = true
	return order == a.first
}

// appendDue adds the acknowledgements whose turn it is.
func (a *acks) appendDue(out []byte, now time.Time) []byte {
	n := 0
	for ; n < len(a.waiting) && a.waiting[n].dealt; n++ {
		if id := a.waiting[n].id; id != 0 {
			out = appendPuback(out, id)
		}
	}
	a.first, a.waiting = a.first+uint64(n), a.waiting[n:]
	if len(a.waiting) == 0 || now.Sub(a.waiting[0].came) < ackPatience {
		return out
	}
	for i := range a.waiting {
		if e := &a.waiting[i]; e.dealt && e.id != 0 {
			out = appendPuback(out, e.id)
			e.id = 0
		}
	}
	return out
}
