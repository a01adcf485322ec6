package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/plan"
)

// Shortfall says that the latest plan which began on a day grants a beacon less
// than it wants, and why.
type Shortfall struct {
	Day             time.Time // UTC midnight
	Beacon          string
	Band            string // set: the band can't be used at all
	Wanted, Granted int64
	Reason          string
}

// saveShortfalls replaces those of earlier plans that began on the same day.
func (tx *LeaderTx) saveShortfalls(ctx context.Context, p *plan.Plan) error {
	day := p.From.UTC().Truncate(24 * time.Hour)
	if _, err := tx.Exec(ctx, "delete from shortfalls where day = $1", day); err != nil {
		return err
	}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"shortfalls"}, []string{"day", "beacon", "band", "wanted", "granted", "reason"},
		pgx.CopyFromSlice(len(p.Shortfalls), func(i int) ([]any, error) {
			s := p.Shortfalls[i]
			return []any{day, s.Beacon, s.Band, int64(s.Wanted), int64(s.Granted), s.Reason}, nil
		}))
	return err
}

// Shortfalls gives those of the UTC days that [from, to) touches, by beacon,
// band and day.
func (s *Store) Shortfalls(ctx context.Context, from, to time.Time) ([]Shortfall, error) {
	rows, err := s.pool.Query(ctx, `
		select day, beacon, band, wanted, granted, reason from shortfalls
		where day >= ($1::timestamptz at time zone 'UTC')::date and day < $2::timestamptz at time zone 'UTC'
		order by beacon, band, day`, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Shortfall])
}
