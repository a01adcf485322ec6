package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"lamplighter/migrations"
)

// Migrate brings the schema of an open database up to date. Programs that
// start at the same moment wait for each other.
func Migrate(ctx context.Context, db *sql.DB) error {
	if err := migrateWith(ctx, db, migrations.Files); err != nil {
		return err
	}
	return migrateJobs(ctx, db)
}

func migrate(ctx context.Context, config *pgx.ConnConfig) error {
	unhurried := config.Copy()
	delete(unhurried.RuntimeParams, "statement_timeout") // a large table may take long
	unhurried.Tracer = nil
	db := stdlib.OpenDB(*unhurried)
	err := Migrate(ctx, db)
	return errors.Join(err, db.Close())
}

func migrateWith(ctx context.Context, db *sql.DB, files fs.FS) error {
	// Every second for two minutes: the one who has the lock is migrating.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 120), lock.WithUnlockTimeout(1, 10))
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, db, files, goose.WithSessionLocker(locker))
	if err != nil {
		return err
	}
	if err := checkOurs(ctx, db); err != nil {
		return err
	}
	current, highest, err := provider.GetVersions(ctx)
	if err != nil {
		return err
	}
	if current > highest {
		return &newerError{database: current, program: highest}
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("its schema could not be brought up to date: %w", err)
	}
	return nil
}

// checkOurs refuses a database in which others keep their tables.
func checkOurs(ctx context.Context, db *sql.DB) error {
	var migrated, empty bool
	err := db.QueryRowContext(ctx, `
		select coalesce(bool_or(table_name = 'goose_db_version'), false), count(*) = 0
		from information_schema.tables where table_schema = current_schema()`).Scan(&migrated, &empty)
	if err != nil {
		return err
	}
	if !migrated && !empty {
		return errForeign
	}
	return nil
}
