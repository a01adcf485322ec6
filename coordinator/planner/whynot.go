package planner

import (
	"fmt"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/proto/onair/slot"
)

// WhyNot says how a beacon stands to one slot of a plan.
type WhyNot struct {
	Planned string       // the band that it is planned on; "" when it is not
	Wanted  int          // in the whole plan
	Granted int          // likewise
	Bands   []BandWhyNot // each of its usable bands, by name
}

// BandWhyNot says what keeps a beacon from a slot on one of its bands.
type BandWhyNot struct {
	Band   string
	Limits []string // sentences; none: nothing does, it has its turn in other slots
	OnIt   []string // beacons that are planned on the band in the slot, near or far
}

// AskWhyNot looks at a plan and says what keeps a beacon from the slot that
// contains an instant. The input is that from which the plan was made.
func AskWhyNot(in Input, p *plan.Plan, beacon string, at time.Time) (WhyNot, error) {
	if err := in.check(); err != nil {
		return WhyNot{}, err
	}
	length := in.Fleet.Network.Slot
	first, end := length.Starting(in.From, in.To)
	t := int(length.At(at) - first)
	if t < 0 || slot.Number(t) >= end-first {
		return WhyNot{}, fmt.Errorf("the plan has no slot at %s", at.UTC().Format(time.RFC3339))
	}
	b := newBoard(newModel(in))
	id := b.beaconIndex(beacon)
	if id < 0 {
		return WhyNot{}, fmt.Errorf("there is no beacon %q in the fleet", beacon)
	}
	b.lay(in, p)
	x := &b.beacons[id]
	answer := WhyNot{Wanted: x.demand, Granted: len(b.sent[id])}
	if i, planned := b.find(id, t); planned {
		answer.Planned = b.bands[x.uses[b.sent[id][i].use].band].name
	}
	own := b.view(id, -1).limits(t) &^ LimitBusy
	for u := range x.uses {
		answer.Bands = append(answer.Bands, b.bandWhyNot(id, u, t, own))
	}
	return answer, nil
}

func (b *board) bandWhyNot(id, u, t int, own Limit) BandWhyNot {
	way := &b.beacons[id].uses[u]
	why := BandWhyNot{Band: b.bands[way.band].name}
	for _, g := range *b.cell(t, way.band) {
		if int(g.beacon) != id && int(g.beacon) < len(b.beacons) {
			why.OnIt = append(why.OnIt, b.beacons[g.beacon].name)
		}
	}
	found := own | b.limits(id, u, t, false)
	for i := range limits {
		if limit := Limit(1) << i; found&limit != 0 {
			why.Limits = append(why.Limits, b.sentence(id, limit))
		}
	}
	return why
}
