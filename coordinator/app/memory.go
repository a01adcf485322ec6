package app

import (
	"context"
	"time"

	"lamplighter/coordinator/reporting"
)

// How often ended hours are rolled up, and how often old raw data are given up.
const (
	rollUpEvery = time.Minute
	giveUpEvery = time.Hour
)

// How many days raw health is kept.
const (
	DefaultHealthDays = 90
	LeastHealthDays   = 10 // agents bring what is a week old, and slots are open for eight days
)

// healthDays is how many days raw health is kept.
func (o Options) healthDays() int {
	if o.HealthDays == 0 {
		return DefaultHealthDays
	}
	return o.HealthDays
}

// keepMemory rolls up what has ended and gives up what is old, from now on. Any
// coordinator may do it, several at once too, and missing it for long is made
// up for.
func (a *App) keepMemory(context.Context) error {
	a.running.Go(func() { a.again(rollUpEvery, "hours can't be rolled up; they stay due", a.rollUp) })
	a.running.Go(func() {
		a.again(rollUpEvery, "reception reports that wait can't be matched; they go on waiting", a.rematch)
	})
	a.running.Go(func() {
		a.again(giveUpEvery, "old raw health can't be given up now; it is tried again in an hour", a.giveUp)
	})
	return nil
}

// again does something now and every so often, until Stop.
func (a *App) again(every time.Duration, failure string, do func(context.Context) error) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if err := do(a.lifetime); err != nil && a.lifetime.Err() == nil {
			a.options.Log.Warn(failure, "error", err)
		}
		select {
		case <-a.lifetime.Done():
			return
		case <-tick.C:
		}
	}
}

func (a *App) rollUp(ctx context.Context) error {
	if err := a.store.MarkEndedHours(ctx); err != nil {
		return err
	}
	now, err := a.store.Now(ctx)
	for made := 1; made > 0 && err == nil; {
		made, err = a.store.RollUp(ctx, now.Truncate(time.Hour))
	}
	return err
}

// rematch matches reception reports that came before the beacon's own word.
func (a *App) rematch(ctx context.Context) (err error) {
	reporter := reporting.Reporter{Store: a.store, Fleets: a.fleets}
	for settled := 1; settled > 0 && err == nil; {
		settled, err = reporter.Rematch(ctx)
	}
	return err
}

func (a *App) giveUp(ctx context.Context) error {
	now, err := a.store.Now(ctx)
	if err != nil {
		return err
	}
	before := now.AddDate(0, 0, -a.options.healthDays())
	if err := a.store.Settle(ctx, before); err != nil {
		return err
	}
	dropped, err := a.store.DropHealth(ctx, before)
	if dropped > 0 {
		a.options.Log.Info("old raw health was given up; its hours and days are kept", "days", dropped)
	}
	return err
}
