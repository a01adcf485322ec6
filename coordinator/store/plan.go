package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/plan"
)

// keepPlans is how long a plan that is no longer in force is kept.
const keepPlans = "8 days"

// SavedPlan is a plan as it was stored.
type SavedPlan struct {
	JSON         []byte // the plan file; empty: there is none
	MadeAt       time.Time
	FleetVersion int64
}

// SavePlan stores a plan that was made of a version of the fleet file, which
// is in force from then on. If epoch is no longer the leader's it stores
// nothing and returns ErrDeposed.
func (s *Store) SavePlan(ctx context.Context, epoch uint64, fleetVersion int64, p *plan.Plan) error {
	text := p.Encode()
	return s.AsLeader(ctx, epoch, func(ctx context.Context, tx *LeaderTx) error {
		err := tx.write(ctx, `
			insert into plans (epoch, fleet_version, made_at, plan)
			select epoch, $2, now(), $3 from leadership where epoch = $1`, fleetVersion, text)
		if err != nil {
			return err
		}
		if _, err = tx.Exec(ctx, `delete from plans where made_at < now() - interval '`+keepPlans+`'`); err != nil {
			return err
		}
		return tx.saveShortfalls(ctx, p)
	})
}

// LatestPlan is the plan in force as it was stored.
func (s *Store) LatestPlan(ctx context.Context) (p SavedPlan, err error) {
	err = s.pool.QueryRow(ctx, `select plan, made_at, fleet_version from plans order by number desc limit 1`).
		Scan(&p.JSON, &p.MadeAt, &p.FleetVersion)
	if errors.Is(err, pgx.ErrNoRows) {
		return SavedPlan{}, nil
	}
	return p, err
}

// CurrentPlan is the plan in force, nil where there is none.
func (s *Store) CurrentPlan(ctx context.Context) (*plan.Plan, error) {
	saved, err := s.LatestPlan(ctx)
	if err != nil || len(saved.JSON) == 0 {
		return nil, err
	}
	p, err := plan.Decode(saved.JSON)
	if err != nil {
		return nil, fmt.Errorf("the stored plan of %s: %w", saved.MadeAt.Format(time.RFC3339), err)
	}
	return p, nil
}
