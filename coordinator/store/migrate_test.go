package store_test

import (
	"database/sql"
	"testing"

	"github.com/pressly/goose/v3"

	"lamplighter/coordinator/store/storetest"
	"lamplighter/migrations"
)

func TestEveryMigrationCanBeTakenBackAndAppliedAgain(t *testing.T) {
	db, err := sql.Open("pgx", storetest.EmptyURL(t))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations.Files)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := provider.Up(t.Context()); err != nil {
			t.Fatal(err)
		}
		if _, err := provider.DownTo(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
	}
	var left int
	const query = "select count(*) from information_schema.tables where table_schema = current_schema() and table_name <> 'goose_db_version'"
	if err := db.QueryRowContext(t.Context(), query).Scan(&left); err != nil || left != 0 {
		t.Errorf("%d tables are left, %v", left, err)
	}
}
