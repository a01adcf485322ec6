package dispatch

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/store"
)

// historyBack is how far back fairness remembers.
const historyBack = 7 * 24 * time.Hour

// make makes a plan of what is known now. It never holds the book while the
// planner works.
func (t *term) make(ctx context.Context) made {
	in, m, err := t.planInput(ctx)
	if err != nil {
		return made{err: err}
	}
	began := time.Now()
	m.plan, m.err = planner.Make(in, func(int, int) bool { return ctx.Err() != nil })
	t.metrics.planning.Observe(time.Since(began).Seconds())
	if errors.Is(m.err, planner.ErrStopped) {
		m.err = context.Canceled
	}
	return m
}

func (t *term) planInput(ctx context.Context) (planner.Input, made, error) {
	now, err := t.options.Store.Now(ctx)
	if err != nil {
		return planner.Input{}, made{}, err
	}
	t.decide.Lock()
	f, version, previous, taken := t.fleet, t.version, t.plan, t.book.Taken(now)
	t.decide.Unlock()
	around := map[string]bool{}
	for _, x := range taken.Transmissions {
		around[x.Beacon] = true
	}
	from, to := horizon(f, now)
	history, err := t.history(ctx, f, from)
	if err != nil {
		return planner.Input{}, made{}, err
	}
	if previous != nil && (previous.SlotSeconds != int64(f.Network.Slot) || previous.Network != f.Network.Name) {
		previous = nil
	}
	return planner.Input{Fleet: f, From: from, To: to, History: history, Previous: previous, Taken: taken},
		made{version: version, around: around}, nil
}

// horizon is what is planned now: from the next slot that begins after the
// margin.
func horizon(f *fleet.Fleet, now time.Time) (from, to time.Time) {
	length := f.Network.Slot
	first := length.At(now.Add(margin)) + 1
	slots := min(int64(ahead/length.Duration()), mostSlots)
	from = length.Start(first)
	return from, from.Add(time.Duration(slots) * length.Duration())
}

// history is what was transmitted in the days before a plan.
func (t *term) history(ctx context.Context, f *fleet.Fleet, until time.Time) (*plan.Plan, error) {
	since := until.Add(-historyBack)
	entries, err := t.options.Store.Sent(ctx, since, until)
	if err != nil {
		return nil, fmt.Errorf("what was sent lately could not be read: %w", err)
	}
	return historyOf(f, entries, until), nil
}

// historyOf begins with the first transmission that is known, so that nobody
// is owed airtime for the time before there was any.
func historyOf(f *fleet.Fleet, entries []store.LedgerEntry, until time.Time) *plan.Plan {
	if len(entries) == 0 {
		return nil
	}
	p := &plan.Plan{
		Network: f.Network.Name, From: entries[0].StartAt, To: until, SlotSeconds: int64(f.Network.Slot),
		Transmissions: make([]plan.Transmission, len(entries)),
	}
	for i, e := range entries {
		p.Transmissions[i] = plan.Transmission{
			Start: e.StartAt, Beacon: e.Beacon, Band: e.Band,
			FrequencyHz: float64(e.FrequencyMillihertz) / 1000, Message: plan.Message(e.MessageKind),
		}
	}
	return p
}
