package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// How many days before and after today have a partition of their own: records
// may wait a week at an agent, and whoever makes partitions may be away as long.
const (
	partitionsBehind = 8
	partitionsAhead  = 8
)

// MakePartitions makes the partitions of records around the database's present
// day. Call it at start and daily. Rows of such a day that went to the default
// partition meanwhile are moved.
func (s *Store) MakePartitions(ctx context.Context) error {
	now, err := s.Now(ctx)
	if err != nil {
		return err
	}
	today := now.UTC().Truncate(24 * time.Hour)
	for day := -partitionsBehind; day <= partitionsAhead; day++ {
		if err := s.makePartition(ctx, today.AddDate(0, 0, day)); err != nil {
			return fmt.Errorf("the partition of records for %s: %w", today.AddDate(0, 0, day).Format(time.DateOnly), err)
		}
	}
	return nil
}

func (s *Store) makePartition(ctx context.Context, day time.Time) error {
	name := pgx.Identifier{"records_" + day.Format("20060102")}.Sanitize()
	bounds := fmt.Sprintf("from ('%s') to ('%s')", day.Format(time.DateOnly), day.AddDate(0, 0, 1).Format(time.DateOnly))
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		// Makers take turns, so that only one finds it missing.
		if _, err := tx.Exec(ctx, "select pg_advisory_xact_lock(hashtext('make partitions'))"); err != nil {
			return err
		}
		var exists bool
		if err := tx.QueryRow(ctx, "select to_regclass($1) is not null", name).Scan(&exists); err != nil || exists {
			return err
		}
		// Nobody stores records until the end: none may go to the default
		// partition between the move and the attachment.
		for _, statement := range []string{
			"lock table records in share row exclusive mode",
			"create table " + name + " (like records including defaults including constraints)",
			"with moved as (delete from records_default where recorded_day = '" + day.Format(time.DateOnly) + "' returning *) insert into " + name + " select * from moved",
			"alter table records attach partition " + name + " for values " + bounds,
		} {
			if _, err := tx.Exec(ctx, statement); err != nil {
				return err
			}
		}
		return nil
	})
}
