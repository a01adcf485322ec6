package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
)

// jobsLock is held by whoever brings the tables of jobs up to date.
const jobsLock = 0x6a6f6273 // "jobs"

// migrateJobs brings the tables up to date that the library of durable jobs
// keeps for itself, with that library's own migrations. Programs that start at
// the same moment wait for each other.
func migrateJobs(ctx context.Context, db *sql.DB) (err error) {
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	if _, err := conn.ExecContext(ctx, "select pg_advisory_lock($1)", int64(jobsLock)); err != nil {
		return err
	}
	defer func() {
		_, unlocking := conn.ExecContext(context.WithoutCancel(ctx), "select pg_advisory_unlock($1)", int64(jobsLock))
		err = errors.Join(err, unlocking)
	}()
	var config *pgx.ConnConfig
	err = conn.Raw(func(driver any) error {
		ours, ok := driver.(*stdlib.Conn)
		if !ok {
			return fmt.Errorf("the tables of jobs need the driver pgx, not %T", driver)
		}
		config = ours.Conn().Config()
		return nil
	})
	if err != nil {
		return err
	}
	settings, err := pgxpool.ParseConfig("")
	if err != nil {
		return err
	}
	settings.ConnConfig, settings.MaxConns = config, 2
	pool, err := pgxpool.NewWithConfig(ctx, settings)
	if err != nil {
		return err
	}
	defer pool.Close()
	migrator, err := rivermigrate.New(riverpgxv5.New(pool), nil)
	if err != nil {
		return err
	}
	if _, err := migrator.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
		return fmt.Errorf("the tables of jobs could not be brought up to date: %w", err)
	}
	return nil
}
