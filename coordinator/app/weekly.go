package app

import (
	"context"
	"path/filepath"
	"time"

	"lamplighter/coordinator/deliver"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/weekly"
)

// How often the leader looks whether a weekly report is due, and its mails.
const (
	publishEvery = 10 * time.Minute
	mailEvery    = time.Minute
)

// keepWeekly gives out weekly reports and mails them, while this coordinator
// leads. Where no mail server is set up the mails wait for one, for a day.
func (a *App) keepWeekly(context.Context) error {
	settings, err := deliver.ReadSettings(filepath.Join(a.options.Dir, deliver.File))
	if err != nil {
		return err
	}
	options := weekly.Options{Reporter: reporting.Reporter{Store: a.store, Fleets: a.fleets}, Log: a.options.Log}
	if settings.Mail != nil {
		options.Send = weekly.SMTP(weekly.Server(*settings.Mail))
	}
	publisher := weekly.New(options)
	a.running.Go(func() {
		a.again(publishEvery, "a weekly report can't be given out; it is tried again", a.ifLeading(publisher.Publish))
	})
	if settings.Mail != nil {
		a.running.Go(func() {
			a.again(mailEvery, "weekly reports can't be mailed; it is tried again", a.ifLeading(publisher.Deliver))
		})
	}
	return nil
}

// ifLeading does something only while this coordinator leads.
func (a *App) ifLeading(do func(context.Context) error) func(context.Context) error {
	return func(ctx context.Context) error {
		if !a.leads() {
			return nil
		}
		return do(ctx)
	}
}
