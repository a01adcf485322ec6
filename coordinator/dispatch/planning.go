package dispatch

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
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
	m.plan, m.err = t.makes(in, func(int, int) bool { return ctx.Err() != nil })
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
	version := t.version
	in, around := t.writer.PlanInput(now, orders.Ahead)
	t.decide.Unlock()
	if in.History, err = t.history(ctx, in.Fleet, in.From); err != nil {
		return planner.Input{}, made{}, err
	}
	return in, made{version: version, around: around}, nil
}

// history is what was transmitted in the days before a plan.
func (t *term) history(ctx context.Context, f *fleet.Fleet, until time.Time) (*plan.Plan, error) {
	since := until.Add(-historyBack)
	entries, err := t.options.Store.Sent(ctx, since, until)
	if err != nil {
		return nil, fmt.Errorf("what was sent lately could not be read: %w", err)
	}
	sent := make([]plan.Transmission, len(entries))
	for i, e := range entries {
		sent[i] = plan.Transmission{
			Start: e.StartAt, Beacon: e.Beacon, Band: e.Band,
			FrequencyHz: float64(e.FrequencyMillihertz) / 1000, Message: plan.Message(e.MessageKind),
		}
	}
	return orders.History(f, sent, until), nil
}
