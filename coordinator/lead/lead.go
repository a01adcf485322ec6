package lead

import (
	"context"
	"errors"
	"log/slog"
	"sync/atomic"
	"time"

	"lamplighter/coordinator/store"
)

// Times of the election.
const (
	tryEvery   = time.Second     // how often the others ask for the lock
	checkEvery = time.Second     // how often the leader makes sure that it has it
	patience   = 5 * time.Second // for one answer of the database
)

var (
	errNotHeld = errors.New("the session no longer holds the lock: the lead is lost")
	errEnded   = errors.New("the work of the leader ended by itself")
)

// Leader takes part in the election.
type Leader struct {
	store  *store.Store
	holder string
	log    *slog.Logger
	epoch  atomic.Uint64
}

// New makes a Leader; holder names this coordinator in the table.
func New(s *store.Store, holder string, log *slog.Logger) *Leader {
	return &Leader{store: s, holder: holder, log: log}
}

// Epoch is the epoch with which this coordinator leads, 0 while it does not.
func (l *Leader) Epoch() uint64 { return l.epoch.Load() }

// Run waits for the lead, calls do with its epoch, and waits again when the
// lead is lost, until ctx ends. do must return soon after its context ended; an
// error of its own gives the lead back, is logged, and the wait begins anew.
func (l *Leader) Run(ctx context.Context, do func(ctx context.Context, epoch uint64) error) error {
	for {
		err := l.campaign(ctx, do)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		l.log.Warn("this coordinator does not lead", "error", err)
		if !wait(ctx, tryEvery) {
			return ctx.Err()
		}
	}
}

// campaign takes part with one session, until something is wrong with it.
func (l *Leader) campaign(ctx context.Context, do func(ctx context.Context, epoch uint64) error) error {
	session, err := l.store.Election(ctx)
	if err != nil {
		return err
	}
	defer l.close(session)
	if err := lock(ctx, session); err != nil {
		return err
	}
	starting, cancel := context.WithTimeout(ctx, 2*patience)
	defer cancel()
	epoch, err := session.TakeLead(starting, l.holder)
	if err != nil {
		return err
	}
	l.log.Info("this coordinator leads", "epoch", epoch)
	return l.lead(ctx, session, epoch, do)
}

func (l *Leader) close(session *store.Election) {
	closing, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := session.Close(closing); err != nil {
		l.log.Debug("the session of the election did not close well", "error", err)
	}
}

// lock asks for the lock until it has it.
func lock(ctx context.Context, session *store.Election) error {
	for {
		asking, cancel := context.WithTimeout(ctx, patience)
		locked, err := session.TryLock(asking)
		cancel()
		if err != nil || locked {
			return err
		}
		if !wait(ctx, tryEvery) {
			return ctx.Err()
		}
	}
}

func wait(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// lead lets do work while the session is well, and returns when do has
// returned.
func (l *Leader) lead(ctx context.Context, session *store.Election, epoch uint64, do func(ctx context.Context, epoch uint64) error) error {
	leading, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	l.epoch.Store(epoch)
	defer l.epoch.Store(0)
	done := make(chan error, 1)
	go func() {
		err := do(leading, epoch)
		if err == nil {
			err = errEnded
		}
		stop(err)
		done <- err
	}()
	lost := guard(leading, session)
	l.epoch.Store(0)
	stop(lost)
	ended := <-done
	if lost != nil {
		return lost
	}
	return ended
}

// guard listens to the session and asks it every second whether it holds the
// lock. It returns what is wrong, or nil when ctx ends.
func guard(ctx context.Context, session *store.Election) error {
	for ctx.Err() == nil {
		if err := session.Listen(ctx, checkEvery); err != nil {
			return lostUnless(ctx, err)
		}
		if ctx.Err() != nil {
			break
		}
		asking, cancel := context.WithTimeout(ctx, patience)
		holds, err := session.Holds(asking)
		cancel()
		switch {
		case err != nil:
			return lostUnless(ctx, err)
		case !holds:
			return errNotHeld
		}
	}
	return nil
}

func lostUnless(ctx context.Context, err error) error {
	if ctx.Err() == nil {
		return err
	}
	return nil
}
