package planner

import (
	"fmt"
	"math/bits"
	"strings"

	"lamplighter/coordinator/plan"
)

// shortfalls lists who gets less than wanted, and the bands nobody can use.
func (b *board) shortfalls() []plan.Shortfall {
	list := []plan.Shortfall{}
	for id := range b.beacons[:b.count] {
		x := &b.beacons[id]
		if granted := len(b.sent[id]); granted < x.demand {
			list = append(list, plan.Shortfall{Beacon: x.name, Wanted: x.demand, Granted: granted, Reason: b.reason(id)})
		}
		list = append(list, x.unusable...)
	}
	return list
}

// reason names the limit that alone keeps a beacon from most slots. Where in
// every slot several stand in the way at once, it names the two most frequent.
func (b *board) reason(id int) string {
	list := b.binding(id)
	switch {
	case len(list) == 0:
		return "the slots open to it are all used"
	case list[0].Alone == 0 && len(list) > 1:
		return list[0].Sentence + "; and " + list[1].Sentence
	}
	return list[0].Sentence
}

// tally counts, for each limit, the slots in which nothing else stands in the
// way of one more transmission, and all those from which it keeps the beacon.
func (b *board) tally(id int) (alone, together [limits]int) {
	x, v := &b.beacons[id], b.view(id, -1)
	for t := range b.slots {
		own := v.limits(t)
		if !x.any.set.has(t) || own&LimitBusy != 0 {
			continue
		}
		if t < b.frozen {
			own |= LimitFixed
		}
		var single, any Limit
		for u := range x.uses {
			if !x.uses[u].opens(t) {
				continue
			}
			found := own | b.limits(id, u, t, false)
			any |= found
			if bits.OnesCount32(uint32(found)) == 1 {
				single |= found
			}
		}
		count(&alone, single)
		count(&together, any)
	}
	return alone, together
}

func count(tally *[limits]int, found Limit) {
	for i := range tally {
		if found>>i&1 == 1 {
			tally[i]++
		}
	}
}

// sentence says for a person what a limit means to a beacon.
func (b *board) sentence(id int, limit Limit) string {
	x := &b.beacons[id]
	site := x.source.Site
	switch limit {
	case LimitSite:
		return fmt.Sprintf("site %s: %s at once, shared by %s", site.Name, number(site.TransmittersAtOnce, "transmitter"), number(b.at(x.site), "beacon"))
	case LimitEquipment:
		return fmt.Sprintf("site %s: shared equipment (%s) carries one transmission at a time", site.Name, strings.Join(x.source.Shared, ", "))
	case LimitNear:
		return fmt.Sprintf("bands %s: beacons at or near site %s never use one band at once", b.bandNames(x), site.Name)
	case LimitSignals:
		return fmt.Sprintf("bands %s: at most %s at once in the network", b.bandNames(x), number(b.fleet.Network.MaxSignalsPerBand, "signal"))
	case LimitWindow:
		return fmt.Sprintf("bands %s: the window is full", b.bandNames(x))
	case LimitTogether:
		return fmt.Sprintf("site %s: bands that are not sent together", site.Name)
	case LimitQuiet:
		return fmt.Sprintf("site %s: quiet share of %s", site.Name, site.Quiet)
	case LimitListen:
		return fmt.Sprintf("site %s: share of slots kept for listening", site.Name)
	case LimitAmplifier:
		return fmt.Sprintf("amplifier: at most %d transmissions in %d slots", x.amplifier, amplifierSpan)
	case LimitRest:
		return fmt.Sprintf("rest: %s after each transmission", number(x.rest, "silent slot"))
	case LimitRate:
		return fmt.Sprintf("share %s: never on the air more often than wanted", x.source.Share)
	case LimitFixed:
		return "orders that may still be obeyed: slots about to begin and leases that are out do not change"
	}
	return "pauses, sun rules and the licence's dates leave too few slots"
}

func number(n int, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// at counts the beacons of a site.
func (b *board) at(site int32) (n int) {
	for i := range b.beacons[:b.count] {
		if b.beacons[i].site == site {
			n++
		}
	}
	return n
}

func (b *board) bandNames(x *beacon) string {
	names := make([]string, len(x.uses))
	for i := range x.uses {
		names[i] = b.bands[x.uses[i].band].name
	}
	return strings.Join(names, ", ")
}
