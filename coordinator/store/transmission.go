package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// PastTransmission is an ordered slot, or one that nobody here ordered, with
// what its agent says of it.
type PastTransmission struct {
	Beacon              string
	StartAt             time.Time
	Band                string
	FrequencyMillihertz int64
	MessageKind         string
	Control             string
	Ending              string  // as in the ledger
	Reason              *string // nil: none was given
	PermittedAt         *time.Time
	KeyedAt             *time.Time // by the keyer's clock
	UnkeyedAt           *time.Time
	Symbols             *int32
	ClockErrorBoundNs   *int64
	Callsign            *string // as sent; nil: nothing was reported
	Locator             *string
	PowerDBm            *int32 `db:"power_dbm"`
}

// EachOnAir gives what was on the air in whole or in part in slots that start in
// [from, to), by start and beacon, ordered or not. names limits it to some
// beacons; nil: all.
func (s *Store) EachOnAir(ctx context.Context, names []string, from, to time.Time, do func(PastTransmission) error) error {
	rows, err := s.pool.Query(ctx, `
		select distinct on (start_at, beacon) beacon, start_at, band, frequency_millihertz, message_kind, control, kind as ending,
			reason, permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, callsign, locator, power_dbm
		from outcomes
		where kind in ('sent', 'aborted') and start_at >= $2 and start_at < $3 and ($1::text[] is null or beacon = any($1))
		order by start_at, beacon, received_at, boot, seq`, names, from, to)
	if err != nil {
		return err
	}
	return eachTransmission(rows, do)
}

func eachTransmission(rows pgx.Rows, do func(PastTransmission) error) error {
	defer rows.Close()
	for rows.Next() {
		t, err := pgx.RowToStructByName[PastTransmission](rows)
		if err != nil {
			return err
		}
		if err := do(t); err != nil {
			return err
		}
	}
	return rows.Err()
}

// PlannedOrOnAir gives all that was ordered for slots that start in [from, to),
// however it ended, and what was on the air without an order, by start and
// beacon.
func (s *Store) PlannedOrOnAir(ctx context.Context, from, to time.Time) (all []PastTransmission, err error) {
	rows, err := s.pool.Query(ctx, `
		select beacon, start_at, band, frequency_millihertz, message_kind, control, ending, reason,
			permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, callsign, locator, power_dbm
		from ledger where start_at >= $1 and start_at < $2
		union all
		select beacon, start_at, band, frequency_millihertz, message_kind, control, kind, $3,
			permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, callsign, locator, power_dbm
		from outcomes o where start_at >= $1 and start_at < $2 and kind <> 'skipped'
			and not exists (select from order_slots s where s.beacon = o.beacon and s.slot = o.slot)
		order by start_at, beacon`, from, to, ReasonUnordered)
	if err != nil {
		return nil, err
	}
	err = eachTransmission(rows, func(t PastTransmission) error {
		all = append(all, t)
		return nil
	})
	return all, err
}
