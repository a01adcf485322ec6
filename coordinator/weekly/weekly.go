// Package weekly gives out the report of each week and mails it to those who
// subscribe to it in the fleet file.
//
// A week's report is made once it has been over for six hours (report.CutOff).
// The two weeks before the present one are looked at again from time to time:
// where late data changed figures there is another revision, which says what
// changed, and otherwise nothing happens. A revision and the mails with it are
// stored in one transaction, so the key (recipient, week, site, revision) is
// there once, however many coordinators do this and whenever one is killed. In a
// database there is one network.
//
// A mail is taken up by one sender at a time. What a server clearly did not take
// is tried again with growing pauses for a day and then stands as undelivered. A
// mail whose fate is unclear is tried again with the same Message-ID.
package weekly

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/print"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/store"
)

// Options are what a Publisher works with; all are required.
type Options struct {
	Reporter reporting.Reporter
	Send     func(ctx context.Context, letter Letter) error // an error of kind Final is not tried again
	Log      *slog.Logger
}

// Publisher gives out weekly reports.
type Publisher struct{ options Options }

// New makes a publisher that does nothing by itself: call Publish and Deliver
// now and then.
func New(options Options) *Publisher { return &Publisher{options} }

// weeksBack is how many weeks that are over are looked at.
const weeksBack = 2

// Publish makes the revisions that are due.
func (p *Publisher) Publish(ctx context.Context) error {
	current, _, err := p.options.Reporter.Fleets.Current(ctx)
	if err != nil || current == nil || len(current.Subscribers) == 0 {
		return err
	}
	now, err := p.options.Reporter.Store.Now(ctx)
	if err != nil {
		return err
	}
	recipients := map[string][]string{} // by site
	for _, s := range current.Subscribers {
		recipients[s.Site] = append(recipients[s.Site], s.Mail)
	}
	period := report.WeekAt(now, current.Calendar())
	for range weeksBack {
		if period = period.Before(); now.Before(period.To.Add(report.CutOff)) {
			continue
		}
		for site, to := range recipients {
			if err := p.revise(ctx, current, period, site, to); err != nil {
				return fmt.Errorf("the report of %s: %w", period.Week, err)
			}
		}
	}
	return nil
}

// revise stores a revision of a week's report if there is something new to say.
func (p *Publisher) revise(ctx context.Context, f *fleet.Fleet, period report.Period, site string, to []string) error {
	latest, err := p.options.Reporter.Store.LatestRevision(ctx, period.Week, site)
	if err != nil {
		return err
	}
	made, err := p.options.Reporter.Report(ctx, reporting.Request{Week: period.Week, Scope: fleet.Scope{Site: site}})
	if err != nil {
		return err
	}
	if made.Revision == latest.Revision {
		return nil
	}
	revision := store.ReportRevision{Week: period.Week, Site: site, Revision: made.Revision}
	var figures, page, paper bytes.Buffer
	for _, write := range []func() error{
		func() error { return made.JSON(&figures) },
		func() error { return made.HTML(&page, f.Calendar()) },
		func() error { return print.Report(&paper, made, f.Calendar()) },
	} {
		if err := write(); err != nil {
			return err
		}
	}
	revision.Figures, revision.Page, revision.Paper = figures.Bytes(), page.Bytes(), paper.Bytes()
	saved, err := p.options.Reporter.Store.SaveRevision(ctx, revision, to)
	if saved {
		p.options.Log.Info("a weekly report is given out", "week", period.Week, "site", site, "revision", made.Revision, "recipients", len(to))
	}
	return err
}

// giveUpAfter is how long a mail is tried.
const giveUpAfter = 24 * time.Hour

// Deliver sends the mails that are due, one after the other.
func (p *Publisher) Deliver(ctx context.Context) error {
	for {
		m, err := p.options.Reporter.Store.TakeReportMail(ctx)
		if err != nil || m.Recipient == "" {
			return err
		}
		if err := p.send(ctx, m); err != nil {
			return err
		}
	}
}

// send makes one attempt and notes what came of it.
func (p *Publisher) send(ctx context.Context, m store.ReportMail) error {
	letter, err := letterOf(m)
	if err == nil {
		err = p.options.Send(ctx, letter)
	}
	now, clockErr := p.options.Reporter.Store.Now(ctx)
	if clockErr != nil {
		return clockErr // it is due again in a while
	}
	state, answer, again := "accepted", "accepted", time.Duration(0)
	if err != nil {
		state, answer, again = "waiting", err.Error(), pause(m.Attempts)
		if isFinal(err) || now.Sub(m.Since) >= giveUpAfter {
			state = "undelivered"
		}
		p.options.Log.Warn("a weekly report was not taken", "week", m.Week, "recipient", m.Recipient, "state", state, "error", err)
	}
	return p.options.Reporter.Store.EndReportMail(ctx, m, state, answer, again)
}

// pause is how long to wait after so many attempts before.
func pause(attempts int) time.Duration {
	return min(time.Hour, time.Minute<<min(attempts, 6))
}
