package planner

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/proto/onair/slot"
)

// lead is how long before its start a slot of the plan in force is fixed: in
// it nothing is added or moved any more.
const lead = 10 * time.Minute

// longest is the longest horizon that is planned at once.
const longest = 35 * 24 * time.Hour

// Input is what a plan follows from. All of it but Fleet, From and To may be
// absent.
type Input struct {
	Fleet    *fleet.Fleet
	From, To time.Time  // the plan has the slots that start in [From, To)
	History  *plan.Plan // what was really transmitted before From
	Previous *plan.Plan // the plan in force
	Taken    *plan.Plan // orders that may still be obeyed
}

// ErrStopped says that Progress asked to stop.
var ErrStopped = errors.New("planning was stopped before it was done")

// Make plans. Its error says what is wrong with the input, or is ErrStopped.
func Make(in Input, progress Progress) (*plan.Plan, error) {
	b, err := solve(in, progress)
	if err != nil {
		return nil, err
	}
	return b.plan(in), nil
}

func solve(in Input, progress Progress) (*board, error) {
	if err := in.check(); err != nil {
		return nil, err
	}
	b, err := settle(newBoard(newModel(in)), in, progress.half(0))
	if err != nil {
		return nil, err
	}
	if b.worthAnother(in) {
		other := newBoard(newModel(in))
		other.eager = true
		if other, err = settle(other, in, progress.half(1)); err != nil {
			return nil, err
		}
		if other.fairer(b) {
			b = other
		}
	}
	b.chooseFrequencies()
	if progress.half(1).stage(stages)(0, 1) {
		return nil, ErrStopped
	}
	return b, nil
}

// settle puts everything on the board but the frequencies.
func settle(b *board, in Input, progress Progress) (*board, error) {
	pools := b.pools()
	targets := b.targets(b.fill(pools))
	b.hold(in.Taken)
	b.keep(in.Previous, pools, targets)
	if wanted := b.wanted(); !b.met(wanted) {
		if err := b.schedule(targets, progress); err != nil {
			return nil, err
		}
		moved := !b.met(wanted) && b.trade()
		moved = b.freshen() || moved
		moved = b.meetHours() || moved
		if moved && !b.met(wanted) && b.count <= large {
			if err := newLeveller(b, wanted).run(progress.stage(lastChains)); err != nil {
				return nil, err
			}
		}
	}
	return b, nil
}

// worthAnother tells whether somebody might have more if the pass did not save
// quiet and listen shares for later in the day, and trying costs little. What is kept
// of a plan in force would be the same.
func (b *board) worthAnother(in Input) bool {
	if in.Previous != nil || b.count*b.slots > small {
		return false
	}
	for site, there := range b.bySite() {
		short := slices.ContainsFunc(there, func(id int32) bool { return len(b.sent[id]) < b.beacons[id].demand })
		if s := &b.sites[site]; short && s.quiet >= 0 && b.spare(int32(site), there) {
			return true
		}
	}
	return false
}

// fairer tells whether the lowest have more than on another board, and if not the
// next lowest.
func (b *board) fairer(other *board) bool {
	mine, theirs := b.lowestFirst(), other.lowestFirst()
	for i, id := range mine {
		if c := b.compare(id, len(b.sent[id]), theirs[i], len(other.sent[theirs[i]])); c != 0 {
			return c > 0
		}
	}
	return false
}

// lowestFirst lists those who want anything by what they are granted.
func (b *board) lowestFirst() (list []int) {
	for id := range b.beacons[:b.count] {
		if b.beacons[id].whole > 0 {
			list = append(list, id)
		}
	}
	slices.SortFunc(list, func(a, c int) int {
		return cmp.Or(b.compare(a, len(b.sent[a]), c, len(b.sent[c])), cmp.Compare(a, c))
	})
	return list
}

// schedule fills the board: a pass at the rates aimed at, and chains that level
// what it grants. Where the pass did not reach what the chains find possible, a
// second pass starts from there, so that what is granted is also even.
func (b *board) schedule(target []int, progress Progress) error {
	wanted := b.wanted()
	for round := range 2 {
		if err := newPass(b, target).run(progress.stage(firstPass + 2*round)); err != nil {
			return err
		}
		if b.met(wanted) {
			return nil
		}
		if err := newLeveller(b, wanted).run(progress.stage(firstChains + 2*round)); err != nil {
			return err
		}
		if round > 0 {
			b.rebalance()
			return nil
		}
		target = b.granted()
		b.sweep(planned)
	}
	return nil
}

// wanted lists the demands.
func (b *board) wanted() []int {
	list := make([]int, b.count)
	for i := range list {
		list[i] = b.beacons[i].demand
	}
	return list
}

func (b *board) granted() []int {
	list := make([]int, b.count)
	for i := range list {
		list[i] = len(b.sent[i])
	}
	return list
}

func (b *board) met(wanted []int) bool {
	for i, n := range wanted {
		if len(b.sent[i]) < n {
			return false
		}
	}
	return true
}

// sweep takes everything off the board that is of a kind or can be moved more easily.
func (b *board) sweep(most kind) {
	for id := range b.beacons[:b.count] {
		for _, s := range slices.Clone(b.sent[id]) {
			if s.kind <= most {
				b.take(id, int(s.slot))
			}
		}
	}
}

func (in *Input) check() error {
	switch {
	case in.Fleet == nil:
		return errors.New("a plan needs a fleet")
	case in.To.Before(in.From):
		return fmt.Errorf("the plan would end (%s) before it begins (%s)", in.To.UTC().Format(time.RFC3339), in.From.UTC().Format(time.RFC3339))
	case in.To.Sub(in.From) > longest:
		return fmt.Errorf("a plan of %v is too long: at most %v", in.To.Sub(in.From), longest)
	}
	for _, other := range []struct {
		what string
		plan *plan.Plan
	}{{"history", in.History}, {"previous plan", in.Previous}, {"taken slots", in.Taken}} {
		if p := other.plan; p != nil && p.SlotSeconds != 0 && p.SlotSeconds != int64(in.Fleet.Network.Slot) {
			return fmt.Errorf("the %s has slots of %d s, the network of %d s: give one of the same network", other.what, p.SlotSeconds, int64(in.Fleet.Network.Slot))
		}
	}
	return nil
}

// targets turns levels into whole transmissions.
func (b *board) targets(levels []int64) []int {
	targets := make([]int, b.count)
	for i := range targets {
		targets[i] = int(b.beacons[i].at(levels[i]) >> 32)
	}
	return targets
}

// plan reads the board.
func (b *board) plan(in Input) *plan.Plan {
	p := &plan.Plan{
		Network: b.fleet.Network.Name, From: in.From.UTC(), To: in.To.UTC(), SlotSeconds: int64(b.length),
		Transmissions: b.transmissions(),
		Shortfalls:    b.shortfalls(),
	}
	return p
}

// transmissions lists what is on the board by slot, then beacon.
func (b *board) transmissions() []plan.Transmission {
	next := make([]int, b.slots+1) // where the next one of a slot goes
	for id := range b.beacons[:b.count] {
		for _, s := range b.sent[id] {
			next[s.slot+1]++
		}
	}
	for t := range b.slots {
		next[t+1] += next[t]
	}
	starts := make([]time.Time, b.slots)
	for t := range starts {
		starts[t] = b.length.Start(b.first + slot.Number(t))
	}
	list := make([]plan.Transmission, next[b.slots])
	for id := range b.beacons[:b.count] { // by name
		x, messages := &b.beacons[id], b.messages(id)
		for i := range b.sent[id] {
			s := &b.sent[id][i]
			t := &list[next[s.slot]]
			next[s.slot]++
			t.Start, t.Beacon, t.Band, t.FrequencyHz = starts[s.slot], x.name, x.uses[s.use].source, float64(s.hz)/micro
			if x.pairs {
				t.Message = messages[i]
			}
		}
	}
	return list
}
