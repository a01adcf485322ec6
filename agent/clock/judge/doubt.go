package judge

import "time"

// doubt stands against a receiver that was excluded once. That the own clock
// becomes less sure, until it excludes nothing any more, does not lift it.
type doubt struct {
	standing bool
	off      time.Duration // how far it lay off; 0: that can't be told
}

func (d *doubt) exclude(c claim, own estimate) {
	if c.by != byDaemon {
		d.off, d.standing = max(d.off, c.zero.Sub(own.zero).Abs()), true
	}
}

// doubted says whether the doubt stands. It is lifted when the receiver comes
// back to what is known, or agrees with a daemon that can see such a fault. When
// the own clock can't tell one second from the next, there is nothing left that
// could exclude a receiver, nor vouch for it.
func (j *Judge) doubted(c claim) bool {
	own, known := j.own.now(j.now.Raw)
	if c.by == byDaemon {
		return false
	}
	if !known || own.bound > half || c.zero.Sub(own.zero).Abs() < j.doubt.off/2 {
		j.doubt = doubt{}
	}
	return j.doubt.standing
}
