package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// FleetVersionsIn gives the fleet file that was in force at from and all that
// were put in force in [from, to), oldest first; where none was yet at from, the
// first is the one that came first.
func (s *Store) FleetVersionsIn(ctx context.Context, from, to time.Time) ([]FleetVersion, error) {
	rows, err := s.pool.Query(ctx, `
		select version, network, slot_seconds, file, yaml, applied_at, applied_by from fleet_versions
		where applied_at >= $1 and applied_at < $2
			or version = coalesce((select max(version) from fleet_versions where applied_at < $1), (select min(version) from fleet_versions))
		order by version`, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[FleetVersion])
}

// PastHush is an order to be silent that is or was in force.
type PastHush struct {
	Site, Beacon, Band string // the scope
	Reason, GivenBy    string
	GivenAt            time.Time
	ReleasedAt         *time.Time // nil: it is in force
	ReleasedBy         *string
	ReleaseReason      *string
}

// HushesIn gives those that were in force at any time in [from, to).
func (s *Store) HushesIn(ctx context.Context, from, to time.Time) ([]PastHush, error) {
	rows, err := s.pool.Query(ctx, `
		select site, beacon, band, reason, given_by, given_at, released_at, released_by, release_reason from hushes
		where given_at < $2 and (released_at is null or released_at > $1) order by hush`, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[PastHush])
}

// MissingRecords counts, by beacon, the numbered records of all its runs that
// never came and were not given up.
func (s *Store) MissingRecords(ctx context.Context) (map[string]int64, error) {
	rows, err := s.pool.Query(ctx, "select beacon, sum(last_seq - first_seq + 1)::bigint from boot_gaps group by beacon")
	if err != nil {
		return nil, err
	}
	missing := map[string]int64{}
	var beacon string
	var n int64
	_, err = pgx.ForEachRow(rows, []any{&beacon, &n}, func() error {
		missing[beacon] = n
		return nil
	})
	return missing, err
}
