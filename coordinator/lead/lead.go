// Package lead decides which of several coordinators leads: the one whose
// session holds an advisory lock in Postgres, on a connection of its own.
//
// The lock says who may begin; it does not say that nobody else still believes
// to lead. Two things do. The connection is listened to all the time, and at
// the first error, or when the session is found not to hold the lock, the
// context that the leader works in is cancelled. And each lead has an epoch, a
// number that only grows, in the row that every write of a leader locks and
// compares (store.Lead): what a deposed leader writes affects zero rows.
//
// The epoch is the greater of the stored one plus 1 and the seconds of the
// database's Unix time, so that a database restored from a backup still
// outranks its past.
package lead

import (
	"context"
	"errors"
	"log/slog"

	"lamplighter/coordinator/store"
)

// Leader takes part in the election.
type Leader struct {
	store *store.Store
	log   *slog.Logger
}

// New makes a Leader; holder names this coordinator in the table.
func New(s *store.Store, holder string, log *slog.Logger) *Leader {
	return &Leader{store: s, log: log}
}

// Run waits for the lead, calls do with its epoch, and waits again when the
// lead is lost, until ctx ends. do must return soon after its context ended; an
// error of its own gives the lead back, is logged, and the wait begins anew.
func (l *Leader) Run(ctx context.Context, do func(ctx context.Context, epoch uint64) error) error {
	return errors.New("not built yet")
}

// Epoch is the epoch with which this coordinator leads, 0 while it does not.
func (l *Leader) Epoch() uint64 { return 0 }
