package store

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/people/guess"
)

// loginLock is the space of the locks on names and addresses that log in.
const loginLock = 0x6c6f67696e // "login"

// Subjects whose failures to log in are counted.
func byName(name string) string  { return "name " + name }
func byAddress(at string) string { return "from " + at }

// TryLogin counts a try to log in as a failure, which LoginSucceeded takes back:
// so that many at once are counted as well as one after the other. Where the name
// or the address has to wait it counts nothing and says for how long.
func (s *Store) TryLogin(ctx context.Context, name, from string) (wait time.Duration, err error) {
	rules := map[string]guess.Rule{byName(name): guess.ByName, byAddress(from): guess.ByAddress}
	subjects := []string{byAddress(from), byName(name)}
	slices.Sort(subjects) // the same order for all, against deadlocks
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		wait = 0
		known := map[string]guess.Failures{}
		for _, subject := range subjects {
			if _, err := tx.Exec(ctx, "select pg_advisory_xact_lock($1::bigint # hashtextextended($2, 0))", int64(loginLock), subject); err != nil {
				return err
			}
			var f guess.Failures
			err := tx.QueryRow(ctx, "select failures, last_at from login_failures where subject = $1", subject).Scan(&f.Count, &f.Last)
			if err != nil && !errors.Is(err, pgx.ErrNoRows) {
				return err
			}
			known[subject] = f
			wait = max(wait, rules[subject].BlockedUntil(f).Sub(tx.Now))
		}
		if wait > 0 {
			return nil
		}
		for _, subject := range subjects {
			f := known[subject].After(tx.Now)
			_, err := tx.Exec(ctx, `
				with old as (delete from login_failures where last_at < now() - $5::interval and subject <> $1)
				insert into login_failures (subject, failures, last_at, blocked_until) values ($1, $2, $3, $4)
				on conflict (subject) do update set failures = excluded.failures, last_at = excluded.last_at, blocked_until = excluded.blocked_until`,
				subject, f.Count, f.Last, rules[subject].BlockedUntil(f), guess.Forget)
			if err != nil {
				return err
			}
		}
		return nil
	})
	return wait, err
}

// LoginSucceeded forgets the failures by a name, and the one that the address
// was counted in advance.
func (s *Store) LoginSucceeded(ctx context.Context, name, from string) error {
	_, err := s.pool.Exec(ctx, `
		with n as (delete from login_failures where subject = $1)
		update login_failures set failures = greatest(failures - 1, 0) where subject = $2`, byName(name), byAddress(from))
	return err
}
