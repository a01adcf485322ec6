package plan

import (
	"time"

	"lamplighter/proto/onair/slot"
)

// sequences follows each beacon through history and plan.
func (c *checker) sequences() {
	for _, sequence := range c.byBeacon() {
		c.steps(sequence)
		c.share(sequence)
		c.amplifier(sequence)
		c.pairs(sequence)
		if c.full() {
			return
		}
	}
}

// byBeacon returns each beacon's transmissions in order of time, history first.
func (c *checker) byBeacon() [][]*entry {
	sequences := make([][]*entry, len(c.f.Beacons))
	for _, list := range [][]entry{c.history, c.entries} {
		for i := range list {
			e := &list[i]
			sequences[e.index] = append(sequences[e.index], e)
		}
	}
	return sequences
}

// steps is rule 1 between a transmission and the one before it.
func (c *checker) steps(sequence []*entry) {
	for i := 1; i < len(sequence); i++ {
		last, e := sequence[i-1], sequence[i]
		silent := int64(e.n - last.n - 1)
		switch {
		case e.past:
		case silent < 0:
			c.at(OncePerSlot, e, "has two transmissions in one slot, on %s and %s", last.band, e.band)
		case silent < int64(e.beacon.Rest):
			c.at(RestRule, e, "rests for %d slots after its transmission on %s at %s, and needs %d",
				silent, last.band, c.length.Start(last.n).Format(time.RFC3339), e.beacon.Rest)
		}
	}
}

// share is rule 6 for windows of every length at once. Of all windows that hold
// transmissions i to j, the shortest is the strictest: k = n(j) − n(i) + 1 slots
// may hold ceil(share·k) + 1. With share = p/q, j−i+1 ≤ ceil(share·k) + 1 is
// the same as p·k > q·(j−i−1), and so as A(i) < A(j) + p + q with
// A(i) = p·n(i) − q·i: no window that ends at j is too full exactly if the
// greatest A so far is below A(j) + p + q. All numbers are whole and exact; slots
// are counted from the first transmission to keep them small.
func (c *checker) share(sequence []*entry) {
	if len(sequence) == 0 {
		return
	}
	p, q := sequence[0].beacon.Share.NumDen()
	var greatest int64
	var since slot.Number // where the window of the greatest begins
	var fullest int       // the index of its first transmission
	broken := false
	for j, e := range sequence {
		a := p*int64(e.n-sequence[0].n) - q*int64(j)
		if j == 0 || a > greatest {
			greatest, since, fullest = a, e.n, j
		}
		was := broken
		broken = greatest >= a+p+q
		if broken && !was && !e.past {
			k := int64(e.n-since) + 1
			c.at(Share, e, "is on the air %d times in the %d slots from %s; its share of %s allows %d",
				j-fullest+1, k, c.length.Start(since).Format(time.RFC3339), e.beacon.Share, e.beacon.Share.MulCeil(k)+1)
		}
		broken = broken && !e.past
	}
}

// amplifierSlots is the stretch that max_in_30min counts over.
const amplifierSlots = 15

func (c *checker) amplifier(sequence []*entry) {
	for j, e := range sequence {
		most := e.beacon.MaxIn30Min
		if most > 0 && !e.past && j >= most && e.n-sequence[j-most].n < amplifierSlots {
			c.at(MaxIn30Min, e, "transmits more than %d times in %d slots", most, amplifierSlots)
		}
	}
}

// pairWithin is how long before an extended message its full one may start.
const pairWithin = 8 * time.Minute

// pairs is rule 8. An extended message needs a full one as the beacon's latest
// before it. A full one where an extended one would have been allowed is a
// missed pair, if sending that would have made one pair more: when the next one
// completes a pair with it, there would be as many either way.
func (c *checker) pairs(sequence []*entry) {
	for j, e := range sequence {
		if e.past {
			continue
		}
		completes := j > 0 && c.mayComplete(sequence[j-1], e)
		switch {
		case e.message == Extended && !e.beacon.Pairs():
			c.at(LoneExtended, e, "sends an extended message, but its call sign and %d characters of the locator are one message", e.beacon.Announce)
		case e.message == Extended && !completes:
			c.at(LoneExtended, e, "sends an extended message on %s, but its latest transmission before is not a full one on that band at most 8 min earlier", e.band)
		case e.message != Extended && e.beacon.Pairs() && completes && !c.completed(sequence, j):
			c.at(MissedPair, e, "sends a full message again on %s, where an extended one would have completed a pair", e.band)
		}
	}
}

func (c *checker) mayComplete(last, e *entry) bool {
	return last.message != Extended && last.band == e.band && last.n < e.n &&
		time.Duration(e.n-last.n)*c.length.Duration() <= pairWithin
}

// completed tells whether the transmission after j completes a pair with it.
func (c *checker) completed(sequence []*entry, j int) bool {
	return j+1 < len(sequence) && sequence[j+1].message == Extended && c.mayComplete(sequence[j], sequence[j+1])
}
