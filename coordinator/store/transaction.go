package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Tx is a transaction with its one time.
type Tx struct {
	pgx.Tx
	// Now is the database's time at which the transaction began.
	Now time.Time
}

// attempts bounds how often a transaction that others were in the way of is
// run: the first time included.
const attempts = 5

// InTx runs do in a transaction and commits it when do returns nil. When the
// transaction loses against others (serialization failure, deadlock) it is run
// again, so do must have no effect outside of it.
func (s *Store) InTx(ctx context.Context, do func(ctx context.Context, tx *Tx) error) error {
	return s.inTx(ctx, func(ctx context.Context, tx *Tx) error {
		if err := tx.QueryRow(ctx, "select now()").Scan(&tx.Now); err != nil {
			return err
		}
		return do(ctx, tx)
	})
}

// inTx is InTx for what asks for the time together with something else.
func (s *Store) inTx(ctx context.Context, do func(ctx context.Context, tx *Tx) error) error {
	var err error
	for range attempts {
		err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error { return do(ctx, &Tx{Tx: tx}) })
		if !lostAgainstOthers(err) {
			return err
		}
	}
	return fmt.Errorf("given up after %d attempts: %w", attempts, err)
}

// SQLSTATE codes, from the Postgres manual, appendix A.
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	uniqueViolation      = "23505"
)

func lostAgainstOthers(err error) bool {
	code := sqlState(err)
	return code == serializationFailure || code == deadlockDetected
}

func sqlState(err error) string {
	var pgErr *pgconn.PgError
	if errors.As(err, &pgErr) {
		return pgErr.Code
	}
	return ""
}

// RefusesData says whether the database refused what it was given, so that
// giving it the same again is of no use: a data exception, a broken constraint
// or a program limit.
func RefusesData(err error) bool {
	code := sqlState(err)
	return strings.HasPrefix(code, "22") || strings.HasPrefix(code, "23") || strings.HasPrefix(code, "54")
}
