package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Reception is a receiver's report of a slot, and the transmission of ours that
// it matches.
type Reception struct {
	StartAt             time.Time // of the slot
	Receiver            string
	Band, Callsign      string // as heard
	FrequencyMillihertz int64
	SNRdB               *float64 `db:"snr_db"`
	DriftHz             *float64
	ReceiverLocator     string
	Reason              string  // why it matches none; empty: it does
	Beacon              *string // nil, as what is below: it matches none
	PlannedMillihertz   *int64
	DistanceM           *int64
	Bearing             *float64 // at our site, degrees
}

const receptionColumns = `start_at, receiver, band, callsign, frequency_millihertz, snr_db, drift_hz, receiver_locator,
	reason, beacon, planned_millihertz, distance_m, bearing`

// StoreReceptions stores reports that came by some way, and says of each whether
// it is new: what is there already stays as it is.
func (s *Store) StoreReceptions(ctx context.Context, source string, reports []Reception) (fresh []bool, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		fresh = make([]bool, len(reports))
		batch := &pgx.Batch{}
		for i, r := range reports {
			batch.Queue(`
				insert into receptions (`+receptionColumns+`, source, received_at)
				values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, now()) on conflict do nothing`,
				r.StartAt, r.Receiver, r.Band, r.Callsign, r.FrequencyMillihertz, r.SNRdB, r.DriftHz, r.ReceiverLocator,
				r.Reason, r.Beacon, r.PlannedMillihertz, r.DistanceM, r.Bearing, source,
			).Exec(func(tag pgconn.CommandTag) error {
				fresh[i] = tag.RowsAffected() == 1
				return nil
			})
		}
		return tx.SendBatch(ctx, batch).Close()
	})
	return fresh, err
}

// RematchReceptions writes down anew what reports match that waited.
func (s *Store) RematchReceptions(ctx context.Context, reports []Reception) error {
	batch := &pgx.Batch{}
	for _, r := range reports {
		batch.Queue(`
			update receptions set reason = $5, beacon = $6, planned_millihertz = $7, distance_m = $8, bearing = $9
			where start_at = $1 and receiver = $2 and band = $3 and callsign = $4 and reason = 'waiting'`,
			r.StartAt, r.Receiver, r.Band, r.Callsign, r.Reason, r.Beacon, r.PlannedMillihertz, r.DistanceM, r.Bearing)
	}
	return s.pool.SendBatch(ctx, batch).Close()
}

// WaitingReceptions gives reports that waited for a beacon's word on a slot,
// which has come; at most limit of them.
func (s *Store) WaitingReceptions(ctx context.Context, limit int) ([]Reception, error) {
	rows, err := s.pool.Query(ctx, `
		select `+receptionColumns+` from receptions r
		where reason = 'waiting' and exists (select from outcomes o where o.start_at = r.start_at and o.callsign = r.callsign)
		order by received_at limit $1`, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Reception])
}

// UnmatchedReceptions gives reports of slots in [from, to) that match no
// transmission, by time; at most limit of them.
func (s *Store) UnmatchedReceptions(ctx context.Context, from, to time.Time, limit int) ([]Reception, error) {
	rows, err := s.pool.Query(ctx, `
		select `+receptionColumns+` from receptions
		where reason <> '' and start_at >= $1 and start_at < $2 order by start_at, receiver, band, callsign limit $3`, from, to, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Reception])
}

// EachMatched gives reports that match a transmission of ours in a slot that
// starts in [from, to), by beacon, band and time. names limits it to some
// beacons; nil: all.
func (s *Store) EachMatched(ctx context.Context, names []string, from, to time.Time, do func(Reception) error) error {
	rows, err := s.pool.Query(ctx, `
		select `+receptionColumns+` from receptions
		where beacon is not null and start_at >= $2 and start_at < $3 and ($1::text[] is null or beacon = any($1))
		order by beacon, band, start_at, receiver`, names, from, to)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		r, err := pgx.RowToStructByName[Reception](rows)
		if err != nil {
			return err
		}
		if err := do(r); err != nil {
			return err
		}
	}
	return rows.Err()
}

// OrderedAt gives all that was ordered for slots that start at some times, or was
// on the air in them.
func (s *Store) OrderedAt(ctx context.Context, starts []time.Time) (all []PastTransmission, err error) {
	rows, err := s.pool.Query(ctx, `
		select beacon, start_at, band, frequency_millihertz, message_kind, control,
			case when contradicted then 'sent' else ending end as ending, reason,
			permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, callsign, locator, power_dbm
		from ledger where start_at = any($1) and (ending <> 'withdrawn' or contradicted)
		union all
		select beacon, start_at, band, frequency_millihertz, message_kind, control, kind, $2,
			permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, callsign, locator, power_dbm
		from outcomes o where start_at = any($1) and kind <> 'skipped'
			and not exists (select from order_slots s where s.beacon = o.beacon and s.slot = o.slot)
		order by start_at, beacon`, starts, ReasonUnordered)
	if err != nil {
		return nil, err
	}
	err = eachTransmission(rows, func(t PastTransmission) error {
		all = append(all, t)
		return nil
	})
	return all, err
}

// CallsignsSent says which call signs our beacons ever sent.
func (s *Store) CallsignsSent(ctx context.Context, among []string) (map[string]bool, error) {
	rows, err := s.pool.Query(ctx, "select k from unnest($1::text[]) k where exists (select from outcomes where callsign = k)", among)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	var callsign string
	_, err = pgx.ForEachRow(rows, []any{&callsign}, func() error {
		known[callsign] = true
		return nil
	})
	return known, err
}
