// Package reporting gathers what a report is made of, and makes it.
//
// It reads hours as a stream, so that what it holds at a time does not grow with
// the length of the period; first it has the hours rolled up that are due, so
// that a report never misses what is stored already. It decides nothing: what
// counts as what is in package report.
package reporting

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/rollup"
	"lamplighter/coordinator/store"
)

// LongestPeriod bounds what one report is about.
const LongestPeriod = 400 * 24 * time.Hour

// mostVersions bounds how many fleet files are read for one report.
const mostVersions = 100

// Reporter makes reports of what is stored.
type Reporter struct {
	Store  *store.Store
	Fleets *store.Fleets
}

// Request says which report is wanted.
type Request struct {
	// Week is an ISO week such as 2026-W48; empty: From and To, or else the last
	// week that is over.
	Week     string
	From, To time.Time
	Scope    fleet.Scope // site or beacon; zero: all
	// Progress is told how many of the hours were read; nil: nobody asks.
	Progress func(done, total int)
}

// Report makes the report, with the period before to compare with.
func (r *Reporter) Report(ctx context.Context, q Request) (*report.Report, error) {
	current, now, err := r.now(ctx)
	if err != nil {
		return nil, err
	}
	period, err := q.period(current.Calendar(), now)
	if err != nil {
		return nil, err
	}
	if err := r.upToDate(ctx, now); err != nil {
		return nil, err
	}
	var before *report.Report
	var present *gathered
	both, during := errgroup.WithContext(ctx)
	both.Go(func() (err error) {
		was := q
		was.Progress = nil // it is as far as the other one
		earlier, err := r.gather(during, was.in(period.Before()), now)
		if err == nil {
			before = earlier.report(nil)
		}
		return err
	})
	both.Go(func() (err error) {
		present, err = r.gather(during, q.in(period), now)
		return err
	})
	if err := both.Wait(); err != nil {
		return nil, err
	}
	made := present.report(before)
	return made, r.number(ctx, q.Scope, made)
}

// number gives the report of a week its revision: that which was given out, if
// there is nothing new to say, or else the next one with what changed.
func (r *Reporter) number(ctx context.Context, scope fleet.Scope, made *report.Report) error {
	if made.Week == "" || scope.Beacon != "" {
		return nil
	}
	latest, err := r.Store.LatestRevision(ctx, made.Week, scope.Site)
	if err != nil || latest.Revision == 0 {
		return err
	}
	var old report.Report
	if err := json.Unmarshal(latest.Figures, &old); err != nil {
		return fmt.Errorf("revision %d of the report of %s can't be read: %w", latest.Revision, made.Week, err)
	}
	made.Revision, made.Revised = old.Revision, old.Revised
	if changed := report.Differences(&old, made); len(changed) > 0 {
		made.Revision, made.Revised = latest.Revision+1, changed
	}
	return nil
}

// asked is a request with its period.
type asked struct {
	Request
	period report.Period
	names  []string            // of the beacons that it is about
	sent   map[[2]string]int64 // by beacon and band
}

func (q Request) in(p report.Period) asked { return asked{Request: q, period: p} }

// period is what the request is about.
func (q Request) period(zone *time.Location, now time.Time) (report.Period, error) {
	switch {
	case q.Week != "" && !(q.From.IsZero() && q.To.IsZero()):
		return report.Period{}, fault.New(fault.Usage, "week", "give a week, or a beginning and an end, not both")
	case q.Week != "":
		period, err := report.ParseWeek(q.Week, zone)
		if err != nil {
			return period, fault.New(fault.Usage, "week", "%w", err)
		}
		return period, began(period, now)
	case q.From.IsZero() && q.To.IsZero():
		return report.WeekAt(now, zone).Before(), nil
	case q.From.IsZero() || q.To.IsZero() || !q.From.Before(q.To):
		return report.Period{}, fault.New(fault.Usage, "from", "give both a beginning and a later end")
	case q.To.Sub(q.From) > LongestPeriod:
		return report.Period{}, fault.New(fault.Usage, "to", "a report is about %d days at most", int(LongestPeriod.Hours())/24)
	}
	period := report.Period{From: q.From.UTC().Truncate(time.Minute), To: q.To.UTC().Truncate(time.Minute), Zone: zone}
	if !period.From.Before(period.To) {
		return period, fault.New(fault.Usage, "to", "a report is about a minute at least")
	}
	return period, began(period, now)
}

func began(p report.Period, now time.Time) error {
	if now.Before(p.From) {
		return fault.New(fault.Invalid, "from", "that begins on %s, and nothing has happened in it yet", p.From.In(p.Zone).Format("2006-01-02 15:04 MST"))
	}
	return nil
}

// upToDate rolls up what is due, the present hour included.
func (r *Reporter) upToDate(ctx context.Context, now time.Time) error {
	if err := r.Store.MarkEndedHours(ctx); err != nil {
		return err
	}
	for {
		made, err := r.Store.RollUp(ctx, now)
		if err != nil || made == 0 {
			return err
		}
	}
}

// gathered is all that goes into a report.
type gathered struct {
	builder *report.Builder
	beside  report.Context
}

func (g *gathered) report(before *report.Report) *report.Report {
	g.beside.Before = before
	return g.builder.Report(g.beside)
}

// gather reads what goes into the report of a period.
func (r *Reporter) gather(ctx context.Context, q asked, now time.Time) (*gathered, error) {
	fleets, changes, err := r.fleets(ctx, q.period)
	if err != nil {
		return nil, err
	}
	builder := report.New(report.Options{Period: q.period, Now: now, Fleets: fleets, Scope: q.Scope})
	names := builder.Names()
	if len(names) == 0 {
		return nil, fault.New(fault.NotFound, "scope", "the fleet had no such site or beacon in that time")
	}
	total, done := len(names)*int(q.period.Length()/time.Hour), 0
	err = r.Store.BeaconHours(ctx, names, q.period.From, q.period.To, func(h rollup.Hour) error {
		if done++; q.Progress != nil && done%1000 == 0 {
			q.Progress(min(done, total), total)
		}
		builder.Add(h)
		return nil
	})
	if err != nil {
		return nil, err
	}
	q.names, q.sent = names, builder.Sent()
	g := &gathered{builder, report.Context{Changes: changes}}
	for _, more := range []func(context.Context, asked, *report.Context) error{r.missing, r.hushes, r.alerts, r.shortfalls, r.heardBy} {
		if err := more(ctx, q, &g.beside); err != nil {
			return nil, err
		}
	}
	return g, nil
}
