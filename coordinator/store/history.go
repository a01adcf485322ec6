package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// Slots gives the ordered slots that start in [from, to), of one beacon or, with
// an empty name, of all, by start and beacon. Of what was withdrawn nothing is
// told. Where a slot was ordered in several ways, the one that counts is that
// of which something was reported, else the latest.
func (s *Store) Slots(ctx context.Context, beacon string, from, to time.Time, most int) ([]LedgerEntry, error) {
	rows, err := s.pool.Query(ctx, "select distinct on (start_at, beacon) "+ledgerColumns+` from ledger
		where start_at >= $1 and start_at < $2 and ($3 = '' or beacon = $3)
		and not (ending = 'withdrawn' or ending = 'open' and closed_epoch is not null)
		order by start_at, beacon, (ending in ('open', 'unreported')), opened_epoch desc, opened_revision desc limit $4`, from, to, beacon, most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[LedgerEntry])
}

// HealthRecords gives records in which a beacon says how it was in [from, to) of
// its own clock, by time: the last one of each of at most so many equal pieces.
func (s *Store) HealthRecords(ctx context.Context, beacon string, from, to time.Time, pieces int) ([][]byte, error) {
	step := max(to.Sub(from).Seconds()/float64(max(pieces, 1)), 1e-3)
	rows, err := s.pool.Query(ctx, `
		select body from (
			select distinct on (floor(extract(epoch from device_time - $2) / $4)) device_time, body from records
			where beacon = $1 and kind = 'health' and device_time >= $2 and device_time < $3
			and recorded_day >= ($2::timestamptz at time zone 'UTC')::date - 1 and recorded_day <= ($3::timestamptz at time zone 'UTC')::date + 1
			order by floor(extract(epoch from device_time - $2) / $4), device_time desc
		) last_of_each order by device_time`, beacon, from, to, step)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[[]byte])
}
