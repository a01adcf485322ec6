package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// PastAlert is an alert that was raised, and who took it on first.
type PastAlert struct {
	Condition, Site, Beacon string
	RaisedAt                time.Time
	OverAt                  *time.Time // nil: it is not over
	AcknowledgedAt          *time.Time // nil: nobody has
	AcknowledgedBy          *string
}

// AlertsIn gives the alerts that were raised and not over at any time in
// [from, to), by the time they were raised.
func (s *Store) AlertsIn(ctx context.Context, from, to time.Time) ([]PastAlert, error) {
	rows, err := s.pool.Query(ctx, `
		select a.condition, a.site, a.beacon, a.raised_at, a.over_at, k.at as acknowledged_at, k.person as acknowledged_by
		from alerts a
		left join lateral (select at, person from alert_acknowledgements where alert = a.alert order by at, acknowledgement limit 1) k on true
		where a.raised_at < $2 and (a.over_at is null or a.over_at > $1) order by a.raised_at, a.alert`, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[PastAlert])
}
