package app

import (
	"context"
	"time"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/people/duty"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/store"
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

// askNow asks those whose turn is about to come, by a message. That they were
// asked is shown with the roster, and stands in the log and the trail.
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
		asked, err := a.ask(ctx, turn, present[turn.Site], now)
		if err != nil {
			return err
		}
		if !asked {
			continue
		}
		a.options.Log.Info("somebody is asked to take duty", "site", turn.Site, "person", turn.Person, "from", turn.From)
		if _, err := a.store.AddToTrail(ctx, trail.Entry{Person: turn.Person, Via: "roster", Action: "asked to take duty", Site: turn.Site, Outcome: trail.Asked, Details: "{}"}); err != nil {
			return err
		}
	}
	return nil
}

// ask notes that somebody is asked, and the message with it; not a second time.
func (a *App) ask(ctx context.Context, turn duty.Turn, present duty.Period, now time.Time) (asked bool, err error) {
	current, _, err := a.fleets.Current(ctx)
	if err != nil || current == nil {
		return false, err
	}
	site := current.Site(turn.Site)
	subject, text := turn.Words(present, site != nil && site.DutyRequired, now)
	err = a.store.InTx(ctx, func(ctx context.Context, tx *store.Tx) error {
		if asked, err = tx.TurnAsked(ctx, turn.Entry); err != nil || !asked {
			return err
		}
		number, err := tx.AddNotice(ctx, alert.Message{Recipient: turn.Person, What: alert.OnDuty, Subject: current.Network.Name + ": " + subject, Text: text})
		if err != nil {
			return err
		}
		return a.delivery.Add(ctx, tx, []int64{number})
	})
	return asked, err
}
