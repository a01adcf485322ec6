package planner

import (
	"cmp"
	"fmt"
	"slices"

	"lamplighter/coordinator/plan"
)

// Explanation says why a beacon gets what it gets.
type Explanation struct {
	Beacon  string    `json:"beacon"`
	Open    int       `json:"open_slots"` // in which it may use any of its bands
	Wanted  int       `json:"wanted"`
	Granted int       `json:"granted"`
	Binding []Binding `json:"binding"` // what keeps it from more, the most important first; none if nothing is short
	Sharing []Sharing `json:"sharing"` // beacons of the same site, and what they get
	Closed  []string  `json:"closed"`  // bands that it can't use at all, each with the reason
}

// Binding is a limit that keeps a beacon from slots.
type Binding struct {
	Limit    Limit  `json:"limit"`
	Alone    int    `json:"alone"` // slots from which it alone keeps the beacon
	Slots    int    `json:"slots"` // slots from which it keeps the beacon, alone or with others
	Sentence string `json:"sentence"`
}

// Sharing is what another beacon of the site wants and gets.
type Sharing struct {
	Beacon  string `json:"beacon"`
	Wanted  int    `json:"wanted"`
	Granted int    `json:"granted"`
}

// Explain looks at a plan and says what binds one beacon in it. The input is
// that from which the plan was made.
func Explain(in Input, p *plan.Plan, beacon string) (Explanation, error) {
	if err := in.check(); err != nil {
		return Explanation{}, err
	}
	b := newBoard(newModel(in))
	id := b.beaconIndex(beacon)
	if id < 0 {
		return Explanation{}, fmt.Errorf("there is no beacon %q in the fleet", beacon)
	}
	b.lay(in, p)
	x := &b.beacons[id]
	e := Explanation{Beacon: beacon, Open: x.any.count, Wanted: x.demand, Granted: len(b.sent[id])}
	if e.Granted < e.Wanted {
		e.Binding = b.binding(id)
	}
	for other := range b.beacons[:b.count] {
		if y := &b.beacons[other]; other != id && y.site == x.site {
			e.Sharing = append(e.Sharing, Sharing{y.name, y.demand, len(b.sent[other])})
		}
	}
	for _, s := range x.unusable {
		e.Closed = append(e.Closed, s.Band+": "+s.Reason)
	}
	return e, nil
}

// lay puts a whole plan on the board as it is.
func (b *board) lay(in Input, p *plan.Plan) {
	b.hold(in.Taken)
	for id, list := range b.read(p, nil) {
		for _, s := range list {
			b.put(id, int(s.slot), int(s.use), planned, s.hz)
		}
	}
}

// binding lists the limits that stand in the way of one more transmission.
func (b *board) binding(id int) []Binding {
	alone, together := b.tally(id)
	var list []Binding
	for i := range limits {
		if together[i] > 0 {
			limit := Limit(1) << i
			list = append(list, Binding{limit, alone[i], together[i], b.sentence(id, limit)})
		}
	}
	slices.SortStableFunc(list, func(a, c Binding) int {
		return cmp.Or(cmp.Compare(c.Alone, a.Alone), cmp.Compare(c.Slots, a.Slots))
	})
	return list
}
