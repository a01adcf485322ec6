package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/people/trail"
)

// trailLock is held by whoever adds to the trail until it is committed.
const trailLock = 0x747261696c // "trail"

const trailColumns = "number, at, person, came_from, via, action, site, outcome, details, previous, digest"

// AddToTrail adds an entry and returns its number. It sets Number, At, Previous
// and Digest.
func (s *Store) AddToTrail(ctx context.Context, e trail.Entry) (number int64, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if _, err := tx.Exec(ctx, "select pg_advisory_xact_lock($1)", int64(trailLock)); err != nil {
			return err
		}
		last, head := int64(0), trail.First()
		err := tx.QueryRow(ctx, "select number, digest from trail order by number desc limit 1").Scan(&last, &head)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		// The lock may have been waited for: the time of the entry is now.
		if err := tx.QueryRow(ctx, "select clock_timestamp()").Scan(&e.At); err != nil {
			return err
		}
		e = e.After(last, head)
		number = e.Number
		_, err = tx.Exec(ctx, "insert into trail ("+trailColumns+") values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
			e.Number, e.At, e.Person, e.From, e.Via, e.Action, e.Site, e.Outcome, e.Details, e.Previous, e.Digest)
		return err
	})
	return number, err
}

// TrailSearch says which entries are wanted; what is empty or zero does not
// choose.
type TrailSearch struct {
	Person, Action, Site, Outcome string
	Text                          string // in the details, letter for letter
	Since, Until                  time.Time
	Before                        int64 // only numbers below
	Most                          int
}

// Trail gives the latest entries that fit, the latest first.
func (s *Store) Trail(ctx context.Context, q TrailSearch) ([]trail.Entry, error) {
	rows, err := s.pool.Query(ctx, "select "+trailColumns+`
		from trail
		where ($1 = '' or person = $1) and ($2 = '' or action ilike '%' || $2 || '%') and ($3 = '' or site = $3)
			and ($4 = '' or outcome = $4) and ($5 = '' or strpos(details, $5) > 0)
			and ($6::timestamptz is null or at >= $6) and ($7::timestamptz is null or at < $7) and ($8 = 0 or number < $8)
		order by number desc limit $9`,
		q.Person, q.Action, q.Site, q.Outcome, q.Text, optional(q.Since), optional(q.Until), q.Before, q.Most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[trail.Entry])
}

// optional is nil for the zero time.
func optional(at time.Time) *time.Time {
	if at.IsZero() {
		return nil
	}
	return &at
}

// WalkTrail gives every entry, the first first, until next says stop.
func (s *Store) WalkTrail(ctx context.Context, next func(trail.Entry) (stop bool)) error {
	const page = 1000
	for last := int64(-1 << 62); ; {
		rows, err := s.pool.Query(ctx, "select "+trailColumns+" from trail where number > $1 order by number limit $2", last, page)
		if err != nil {
			return err
		}
		entries, err := pgx.CollectRows(rows, pgx.RowToStructByName[trail.Entry])
		if err != nil {
			return err
		}
		for _, e := range entries {
			if next(e) {
				return nil
			}
			last = e.Number
		}
		if len(entries) < page {
			return nil
		}
	}
}
