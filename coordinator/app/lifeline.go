package app

import (
	"context"
	"time"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fleet"
)

// lifeline tells that the database is away. Every other alert needs it; this one
// is kept in memory only, and goes straight to its recipients. Of several
// coordinators the one tells that led when the database went. A coordinator that
// is not up can't tell: that is what the heartbeat is for.
type lifeline struct {
	ping    func(ctx context.Context) error // whether the database answers
	leads   func() bool
	current func(ctx context.Context) *fleet.Fleet // nil: not known now
	tell    func(ctx context.Context, f *fleet.Fleet, m alert.Message)
}

// pingWithin is how long the database may take to answer at all.
const pingWithin = 4 * time.Second

// ledLately is how long before the database was missed a coordinator may have
// lost the lead because of that.
const ledLately = 30 * time.Second

// keepLifeline looks after the database from now on.
func (a *App) keepLifeline(context.Context) error {
	l := &lifeline{
		ping: a.store.Ping, leads: a.leads,
		current: func(ctx context.Context) *fleet.Fleet {
			f, _, err := a.fleets.Current(ctx)
			if err != nil {
				return nil
			}
			return f
		},
		tell: func(ctx context.Context, f *fleet.Fleet, m alert.Message) {
			a.running.Go(func() { a.delivery.Straight(ctx, f, m) })
		},
	}
	a.running.Go(func() { l.run(a.lifetime) })
	return nil
}

// run looks again and again until ctx ends. Times are this machine's: the
// database's are not to be had.
func (l *lifeline) run(ctx context.Context) {
	look := time.NewTicker(alertsEvery)
	defer look.Stop()
	memory := alert.NewMemory(nil)
	var known *fleet.Fleet
	var led, since time.Time // when it led last; since when the database is away, zero: it is there
	for {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
		asking, cancel := context.WithTimeout(ctx, pingWithin)
		err := l.ping(asking)
		if err == nil {
			if f := l.current(asking); f != nil {
				known = f
			}
		}
		cancel()
		now := time.Now()
		switch {
		case ctx.Err() != nil:
			return
		case err == nil:
			since = time.Time{}
		case since.IsZero():
			since = now
		}
		if l.leads() {
			led = now
		}
		if known == nil {
			continue
		}
		found := alert.DatabaseBack(known)
		if err != nil && since.Sub(led) < ledLately {
			found = alert.DatabaseGone(known, since)
		}
		memory.Step(found, alert.Given{}, now)
		for _, m := range memory.Tell(known, now) {
			l.tell(ctx, known, m)
		}
	}
}
