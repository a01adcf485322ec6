package dispatch

import (
	"context"
	"errors"
	"runtime/debug"
	"sync"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/store"
)

// loop decides when a plan is made and when orders are written. All of it runs
// on one goroutine; plans are made on another, one at a time.
type loop struct {
	*term
	made     chan made
	planning sync.WaitGroup
	cancel   context.CancelFunc // ends the planning under way; nil: none is
	due      bool               // another plan is wanted after the one under way
	next     *time.Timer        // when a plan is made at the latest
	soon     bool               // that is when the orders of the latest plan have settled
	free     *time.Timer        // when orders are written again: a lease that others wait for is over, say
	rests    time.Time          // until when leases have the book to themselves
}

// made is what came of planning.
type made struct {
	plan    *plan.Plan
	version int64 // of the fleet file
	around  map[string]bool
	err     error
}

func newLoop(t *term) *loop {
	l := &loop{term: t, made: make(chan made, 1), next: time.NewTimer(0), free: time.NewTimer(time.Hour)}
	l.free.Stop()
	return l
}

func (l *loop) run(ctx context.Context) error {
	retry := time.NewTicker(tick)
	defer func() {
		retry.Stop()
		l.next.Stop()
		l.free.Stop()
		if l.cancel != nil {
			l.cancel()
		}
		l.planning.Wait()
	}()
	for {
		if err := l.turn(ctx, retry.C); err != nil {
			if ctx.Err() != nil || errors.Is(err, store.ErrDeposed) {
				return err
			}
			// The database may be away: leading ends by itself if it is away for good.
			l.log.Error("orders could not be written; they will be tried again", "error", err)
			l.next.Reset(retryAfter)
		}
	}
}

// turn waits for the next thing to do, and does it.
func (l *loop) turn(ctx context.Context, retry <-chan time.Time) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-l.fleetChanged:
		l.replan(ctx, true)
		return l.hushNewcomers(ctx)
	case <-l.unsettled:
		l.replanSettled()
	case <-l.next.C:
		l.replan(ctx, false)
	case m := <-l.made:
		return l.adopt(ctx, m)
	case <-l.released:
		l.free.Reset(max(0, time.Until(l.rests)))
	case <-l.free.C:
		return l.write(ctx)
	case <-retry:
		l.board.retry()
		return l.loadHushes(ctx) // that other coordinators have given
	}
	return nil
}

// replan has a plan made, now or after the one under way. That one is given up
// where anew says that it can't be right any more.
func (l *loop) replan(ctx context.Context, anew bool) {
	if l.cancel != nil {
		l.due = true
		if anew {
			l.cancel()
		}
		return
	}
	l.due, l.soon = false, false
	l.next.Reset(extendEvery)
	planning, cancel := context.WithCancel(ctx)
	l.cancel = cancel
	l.planning.Go(func() { l.made <- l.make(planning) })
}

// replanSettled has a plan made once those whose orders have just changed have had
// time to confirm them. One that is made at once would be made around all of
// them, would change their orders again, and would be followed by the next.
func (l *loop) replanSettled() {
	if !l.soon {
		l.soon = true
		l.next.Reset(settles)
	}
}

// adopt puts a plan in force and writes orders by it.
func (l *loop) adopt(ctx context.Context, m made) error {
	l.cancel()
	l.cancel = nil
	if l.due {
		l.replanSettled()
	}
	switch {
	case errors.Is(m.err, context.Canceled):
		l.replan(ctx, false)
		return nil
	case m.err != nil:
		l.metrics.failures.Inc()
		l.failing.Store(&m.err)
		l.log.Error("no plan could be made; the orders in force run on", "error", m.err)
		l.next.Reset(retryAfter)
		return nil
	}
	l.failing.Store(nil)
	if err := l.hushNewcomers(ctx); err != nil { // before they get orders
		return err
	}
	if err := l.options.Plans.SavePlan(ctx, l.epoch, m.version, m.plan); err != nil {
		return err
	}
	l.decide.Lock()
	l.writer.Plan, l.around = m.plan, m.around
	l.decide.Unlock()
	err := l.write(ctx)
	debug.FreeOSMemory() // a large network's plan and orders leave behind far more than is needed until the next
	return err
}

// write writes orders by the plan in force, and sets the time at which to look
// again if something is withheld.
//
// While thousands of beacons confirm, something becomes free with each of them. So
// it rests for twice as long as writing took before it writes for that reason: the
// leases that bring confirmations wait for the same book.
func (l *loop) write(ctx context.Context) error {
	began := time.Now()
	wait, err := l.writeOrders(ctx)
	l.rests = time.Now().Add(2 * time.Since(began))
	if err != nil {
		return err
	}
	l.free.Stop()
	if wait > 0 {
		l.free.Reset(wait)
	}
	return nil
}
