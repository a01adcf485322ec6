package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/fault"
)

// FleetVersion is a fleet file that is or was in force. Version counts from 1.
type FleetVersion struct {
	Version     int64
	Network     string // network.id
	SlotSeconds int64
	File        string // its name, as it was given
	YAML        string
	AppliedAt   time.Time
	AppliedBy   string
}

// CurrentFleet is the fleet file in force; its Version is 0 where there is none.
func (s *Store) CurrentFleet(ctx context.Context) (FleetVersion, error) {
	return currentFleet(ctx, s.pool)
}

// queryRower is the pool, or a transaction.
type queryRower interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

func currentFleet(ctx context.Context, db queryRower) (f FleetVersion, err error) {
	err = db.QueryRow(ctx, `
		select version, network, slot_seconds, file, yaml, applied_at, applied_by
		from fleet_versions order by version desc limit 1`).
		Scan(&f.Version, &f.Network, &f.SlotSeconds, &f.File, &f.YAML, &f.AppliedAt, &f.AppliedBy)
	if errors.Is(err, pgx.ErrNoRows) {
		return FleetVersion{}, nil
	}
	return f, err
}

// Whatever stands for the version that is in force, whichever it is.
const Whatever int64 = -1

// ApplyFleet puts a fleet file in force that was read without findings, and
// returns it with its version and time. basedOn is the version that the change
// was made from; 0: none was in force. A file that is in force already is not
// stored again, whatever it was made from.
func (s *Store) ApplyFleet(ctx context.Context, f FleetVersion, basedOn int64) (FleetVersion, error) {
	err := s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		// Whoever else applies a file waits here; readers don't.
		if _, err := tx.Exec(ctx, "lock table fleet_versions in share row exclusive mode"); err != nil {
			return err
		}
		current, err := currentFleet(ctx, tx)
		if err != nil {
			return err
		}
		if current.Version > 0 && current.YAML == f.YAML {
			f = current
			return nil
		}
		if err := mayFollow(current, f, basedOn); err != nil {
			return err
		}
		f.Version, f.AppliedAt = current.Version+1, tx.Now
		_, err = tx.Exec(ctx, `
			insert into fleet_versions (version, network, slot_seconds, file, yaml, applied_at, applied_by)
			values ($1, $2, $3, $4, $5, $6, $7)`,
			f.Version, f.Network, f.SlotSeconds, f.File, f.YAML, f.AppliedAt, f.AppliedBy)
		return err
	})
	return f, err
}

// mayFollow says why next can't come after the fleet file in force.
func mayFollow(current, next FleetVersion, basedOn int64) error {
	switch {
	case current.Version != 0 && next.Network != current.Network:
		return fault.New(fault.Refused, "network.id", "this coordinator looks after network %s, and the file is for %s: agents would no longer hear it. Set network.id to %[1]s, or start a new coordinator for the other network", current.Network, next.Network)
	case current.Version != 0 && next.SlotSeconds != current.SlotSeconds:
		return fault.New(fault.Refused, "network.slot_seconds", "slots of this network have %d s, and the file says %d: what was recorded until now would be counted wrongly. Leave it at %[1]d, or start a new coordinator", current.SlotSeconds, next.SlotSeconds)
	case basedOn == Whatever || basedOn == current.Version:
		return nil
	case basedOn == 0:
		return fault.New(fault.Conflict, "based_on", "version %d is in force, and the change does not say that it was made from it: look at the difference (lamplighter fleet diff), then apply it with --based-on %[1]d", current.Version)
	}
	return fault.New(fault.Conflict, "based_on", "the change was made from version %d, and version %d is in force by now: look at the difference (lamplighter fleet diff), then apply it again", basedOn, current.Version)
}
