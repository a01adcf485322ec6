package orders

import (
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
)

const (
	// Ahead is how far orders reach.
	Ahead = 24 * time.Hour
	// margin is before a slot that a new plan begins with.
	margin = 10 * time.Second
	// mostSlots bounds the horizon where slots are short: orders hold at most
	// 10,000 transmissions.
	mostSlots = 10_000
)

// Horizon is what is planned now, so far ahead: from the next slot that begins
// after the margin.
func Horizon(f *fleet.Fleet, now time.Time, ahead time.Duration) (from, to time.Time) {
	length := f.Network.Slot
	first := length.At(now.Add(margin)) + 1
	slots := min(int64(ahead/length.Duration()), mostSlots)
	from = length.Start(first)
	return from, from.Add(time.Duration(slots) * length.Duration())
}

// PlanInput is what the next plan follows from, but for its history. around are
// the beacons whose taken slots it is made around until they confirm.
func (w *Writer) PlanInput(now time.Time, ahead time.Duration) (in planner.Input, around map[string]bool) {
	in = planner.Input{Fleet: w.Fleet, Previous: w.Plan, Taken: w.Book.Taken(now)}
	in.From, in.To = Horizon(w.Fleet, now, ahead)
	if p := in.Previous; p != nil && (p.SlotSeconds != int64(w.Fleet.Network.Slot) || p.Network != w.Fleet.Network.Name) {
		in.Previous = nil
	}
	around = map[string]bool{}
	for _, x := range in.Taken.Transmissions {
		if w.Book.Held(x.Beacon) != w.Book.Latest(x.Beacon) {
			around[x.Beacon] = true
		}
	}
	return in, around
}

// History is what was transmitted until a time, oldest first. It begins with the
// first transmission that is known, so that nobody is owed airtime for the time
// before there was any.
func History(f *fleet.Fleet, sent []plan.Transmission, until time.Time) *plan.Plan {
	if len(sent) == 0 {
		return nil
	}
	return &plan.Plan{
		Network: f.Network.Name, From: sent[0].Start, To: until, SlotSeconds: int64(f.Network.Slot), Transmissions: sent,
	}
}
