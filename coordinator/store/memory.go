package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// How long what others follow from is kept beside the raw health.
const (
	keepSuperseded = "9 days"  // orders whose slots say by themselves what became of them
	settleAfter    = "1 hour"  // after a slot began
	reportedWithin = "8 days"  // until then a slot may be open
	dropWait       = "'250ms'" // how long anybody may have to wait behind a partition that is dropped
)

// MarkEndedHours notes that the hours that have ended since the last time are to
// be rolled up, also for beacons that said nothing, and those of eight days
// before again, since what was open is unreported by now.
func (s *Store) MarkEndedHours(ctx context.Context) error {
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		var seen time.Time
		if err := tx.QueryRow(ctx, "select hours_seen from memory for update").Scan(&seen); err != nil {
			return err
		}
		ended := tx.Now.UTC().Truncate(time.Hour)
		if !ended.After(seen) {
			return nil
		}
		_, err := tx.Exec(ctx, `
			insert into hours_due (beacon, hour)
			select distinct beacon, date_trunc('hour', start_at, 'UTC') from order_slots
			where start_at >= $1 and start_at < $2
				or start_at >= $1::timestamptz - interval '`+reportedWithin+`' and start_at < $2::timestamptz - interval '`+reportedWithin+`'
			order by 1, 2 on conflict do nothing`, seen, ended)
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, "update memory set hours_seen = $1", ended)
		return err
	})
}

// Settle writes down which past slots were withdrawn, and then forgets the
// orders that this followed from, and what was withdrawn before a time.
func (s *Store) Settle(ctx context.Context, forget time.Time) error {
	for _, statement := range []struct {
		sql  string
		args []any
	}{
		{`update order_slots s set withdrawn = coalesce(s.closed_at < s.start_at, false) and exists (
				select from orders c
				where c.beacon = s.beacon and (c.epoch, c.revision) >= (s.closed_epoch, s.closed_revision) and c.confirmed_at <= s.start_at)
			where s.withdrawn is null and s.start_at < now() - interval '` + settleAfter + `'`, nil},
		{`delete from orders o where o.payload is null and o.issued_at < now() - interval '` + keepSuperseded + `'
			and not exists (select from order_slots s where s.beacon = o.beacon and s.withdrawn is null and s.closed_at is not null
				and (o.epoch, o.revision) >= (s.closed_epoch, s.closed_revision))`, nil},
		{`delete from order_slots s where s.withdrawn and s.start_at < $1
			and not exists (select from outcomes o where o.beacon = s.beacon and o.slot = s.slot)`, []any{forget}},
	} {
		if _, err := s.pool.Exec(ctx, statement.sql, statement.args...); err != nil {
			return err
		}
	}
	return nil
}

// DropHealth gives up the raw health of the UTC days that ended before a time,
// oldest first. All other records of such a day are kept. Nobody waits for it
// longer than a quarter of a second: where it would have to wait for others it
// gives way, and says so with an error; call it again later.
func (s *Store) DropHealth(ctx context.Context, before time.Time) (dropped int, err error) {
	days, err := s.partitionDays(ctx)
	if err != nil {
		return 0, err
	}
	last := before.UTC().Truncate(24 * time.Hour)
	for _, day := range days {
		if !day.Before(last) {
			break
		}
		if err := s.rollDay(ctx, day); err != nil {
			return dropped, err
		}
		if err := s.dropDay(ctx, day); err != nil {
			return dropped, fmt.Errorf("the records of %s: %w", day.Format(time.DateOnly), err)
		}
		dropped++
	}
	// Days for which no partition was ever made.
	_, err = s.pool.Exec(ctx, "delete from records_default where kind = 'health' and received_at < $1", last)
	return dropped, err
}

// partitionDays lists the days that have a partition of records, oldest first.
func (s *Store) partitionDays(ctx context.Context) ([]time.Time, error) {
	rows, err := s.pool.Query(ctx, `
		select c.relname from pg_inherits i join pg_class c on c.oid = i.inhrelid
		where i.inhparent = 'records'::regclass and c.relname ~ '^records_[0-9]{8}$'`)
	if err != nil {
		return nil, err
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	days := make([]time.Time, 0, len(names))
	for _, name := range names {
		day, err := time.Parse("records_20060102", name)
		if err != nil {
			return nil, err
		}
		days = append(days, day)
	}
	return days, nil
}

// rollDay makes all roll-ups that need the raw health of a day.
func (s *Store) rollDay(ctx context.Context, day time.Time) error {
	for {
		made, err := s.RollUp(ctx, day.AddDate(0, 0, 3))
		if err != nil || made == 0 {
			return err
		}
	}
}

// dropDay keeps the other records of a day and drops its partition.
func (s *Store) dropDay(ctx context.Context, day time.Time) error {
	name := pgx.Identifier{"records_" + day.Format("20060102")}.Sanitize()
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		for _, statement := range []string{
			"set local lock_timeout = " + dropWait,
			"lock table " + name + " in share mode", // its own rows only: others go on
			`insert into records_kept (recorded_day, beacon, boot, seq, kind, device_time, received_at, body, digest)
				select recorded_day, beacon, boot, seq, kind, device_time, received_at, body, digest from ` + name + `
				where kind <> 'health' on conflict do nothing`,
			"update memory set dropped_before = greatest(dropped_before, '" + day.AddDate(0, 0, 1).Format(time.DateOnly) + "')",
			"alter table records detach partition " + name, // the catalogue alone: no row is looked at
			"drop table " + name,
		} {
			if _, err := tx.Exec(ctx, statement); err != nil {
				return err
			}
		}
		return nil
	})
}
