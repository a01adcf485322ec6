package app

import (
	"context"
	"time"

	"lamplighter/coordinator/people/duty"
	"lamplighter/coordinator/people/trail"
)

// askEvery is how often it is looked whether somebody is to be asked to take
// over. They are asked a quarter of an hour before.
const askEvery = 10 * time.Second

// askForDuty asks those on the roster whose turn is about to come, while this
// coordinator leads.
func (a *App) askForDuty(context.Context) error {
	a.running.Go(func() {
		again := time.NewTicker(askEvery)
		defer again.Stop()
		for {
			select {
			case <-a.lifetime.Done():
				return
			case <-again.C:
			}
			if !a.leads() {
				continue
			}
			if err := a.askNow(a.lifetime); err != nil && a.lifetime.Err() == nil {
				a.options.Log.Warn("it could not be looked who is to take duty next", "error", err)
			}
		}
	})
	return nil
}

// askNow asks those whose turn is about to come. That they were asked is shown
// with the roster, and stands in the log and the trail.
func (a *App) askNow(ctx context.Context) error {
	now, err := a.store.Now(ctx)
	if err != nil {
		return err
	}
	present, err := a.store.InControl(ctx)
	if err != nil {
		return err
	}
	roster, err := a.store.Roster(ctx)
	if err != nil {
		return err
	}
	turns := make([]duty.Turn, len(roster))
	for i, r := range roster {
		turns[i] = r.Turn
	}
	for _, turn := range duty.ToAsk(turns, present, now) {
		first, err := a.store.TurnAsked(ctx, turn.Entry)
		if err != nil {
			return err
		}
		if !first {
			continue
		}
		a.options.Log.Info("somebody is asked to take duty", "site", turn.Site, "person", turn.Person, "from", turn.From)
		if _, err := a.store.AddToTrail(ctx, trail.Entry{Person: turn.Person, Via: "roster", Action: "asked to take duty", Site: turn.Site, Outcome: trail.Asked, Details: "{}"}); err != nil {
			return err
		}
	}
	return nil
}
