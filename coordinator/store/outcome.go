package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// Outcome is how an ordered slot ended.
type Outcome struct {
	RecordKey             // set by the store from the record
	RecordedDay time.Time // likewise
	ReceivedAt  time.Time // likewise

	Slot                  int64
	StartAt               *time.Time // of the slot; nil: no time that a calendar knows
	Epoch, Revision       int64      // of the orders
	Band                  string
	FrequencyMillihertz   int64
	UncertaintyMillihertz int64
	Callsign, Locator     string
	PowerDBm              int32  `db:"power_dbm"`
	MessageKind           string // full, extended, unknown
	DrivePercent          int32
	Control               string // local, remote, automatic, unknown
	Kind                  string // sent, skipped, aborted
	Reason                string // empty: sent whole
	PermittedAt           *time.Time
	KeyedAt               *time.Time // by the keyer's clock, as the two beside it
	UnkeyedAt             *time.Time
	Symbols               int32
	ClockErrorBoundNs     *int64
	Site                  string  `db:"-"` // of the beacon; empty: not known
	Operator              *string // who was in control of the site when the slot began, set by the store; nil: nobody, or not known
}

// OutcomeTotal counts the outcomes of one kind on one band of one beacon.
type OutcomeTotal struct {
	Beacon, Band, Outcome string
	Total                 int64
}

// storeOutcomes stores the outcomes in newly stored records and counts them.
func (tx *Tx) storeOutcomes(ctx context.Context, fresh []Record) error {
	batch := &pgx.Batch{}
	counts := make(map[OutcomeTotal]int64)
	for _, r := range fresh {
		if o := r.Outcome; o != nil {
			queueOutcome(batch, r, o)
			counts[OutcomeTotal{Beacon: r.Beacon, Band: o.Band, Outcome: o.Kind}]++
		}
	}
	if len(counts) == 0 {
		return nil
	}
	var beacons, bands, outcomes []string
	var totals []int64
	for of, count := range counts {
		beacons, bands, outcomes = append(beacons, of.Beacon), append(bands, of.Band), append(outcomes, of.Outcome)
		totals = append(totals, count)
	}
	batch.Queue(`
		insert into outcome_totals as t (beacon, band, outcome, total)
		select beacon, band, outcome, n
		from unnest($1::text[], $2::text[], $3::text[], $4::bigint[]) as k (beacon, band, outcome, n)
		order by beacon, band, outcome
		on conflict (beacon, band, outcome) do update set total = t.total + excluded.total`,
		beacons, bands, outcomes, totals)
	queueDays(batch, fresh)
	return tx.SendBatch(ctx, batch).Close()
}

func queueOutcome(batch *pgx.Batch, r Record, o *Outcome) {
	batch.Queue(`
		insert into outcomes (beacon, boot, seq, recorded_day, slot, start_at, epoch, revision, band,
			frequency_millihertz, uncertainty_millihertz, callsign, locator, power_dbm, message_kind, drive_percent,
			control, kind, reason, permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, received_at, operator)
		values (@beacon, @boot, @seq, @recorded_day, @slot, @start_at, @epoch, @revision, @band,
			@frequency_millihertz, @uncertainty_millihertz, @callsign, @locator, @power_dbm, @message_kind, @drive_percent,
			@control, @kind, @reason, @permitted_at, @keyed_at, @unkeyed_at, @symbols, @clock_error_bound_ns, now(),
			(select d.person from duty_periods d where d.site = @site and d.started_at <= @start_at
				and @start_at < least(d.until_at, d.confirmed_at + interval '4 hours', d.ended_at) order by d.period desc limit 1))`,
		pgx.NamedArgs{
			"beacon": r.Beacon, "boot": r.Boot, "seq": r.Seq, "recorded_day": r.RecordedDay,
			"slot": o.Slot, "start_at": o.StartAt, "epoch": o.Epoch, "revision": o.Revision, "band": o.Band,
			"frequency_millihertz": o.FrequencyMillihertz, "uncertainty_millihertz": o.UncertaintyMillihertz,
			"callsign": o.Callsign, "locator": o.Locator, "power_dbm": o.PowerDBm, "message_kind": o.MessageKind,
			"drive_percent": o.DrivePercent, "control": o.Control, "kind": o.Kind, "reason": o.Reason,
			"permitted_at": o.PermittedAt, "keyed_at": o.KeyedAt, "unkeyed_at": o.UnkeyedAt,
			"symbols": o.Symbols, "clock_error_bound_ns": o.ClockErrorBoundNs, "site": o.Site,
		})
}

const outcomeColumns = `beacon, boot, seq, recorded_day, slot, start_at, epoch, revision, band,
	frequency_millihertz, uncertainty_millihertz, callsign, locator, power_dbm, message_kind, drive_percent,
	control, kind, reason, permitted_at, keyed_at, unkeyed_at, symbols, clock_error_bound_ns, received_at, operator`

// Outcomes gives the outcomes of the slots that start in [from, to), by start
// and beacon.
func (s *Store) Outcomes(ctx context.Context, from, to time.Time) ([]Outcome, error) {
	rows, err := s.pool.Query(ctx, `select `+outcomeColumns+`
		from outcomes where start_at >= $1 and start_at < $2 order by start_at, beacon, received_at, boot, seq`, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[Outcome])
}

// OutcomeTotals gives the counts of all outcomes ever stored.
func (s *Store) OutcomeTotals(ctx context.Context) ([]OutcomeTotal, error) {
	rows, err := s.pool.Query(ctx, `select beacon, band, outcome, total from outcome_totals order by beacon, band, outcome`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[OutcomeTotal])
}

// queueDays counts the outcomes by the day in which their slots began.
func queueDays(batch *pgx.Batch, fresh []Record) {
	var days []time.Time
	var beacons []string
	var sent []int64
	for _, r := range fresh {
		if o := r.Outcome; o != nil && o.StartAt != nil {
			whole := int64(0)
			if o.Kind == "sent" {
				whole = 1
			}
			days, beacons, sent = append(days, o.StartAt.UTC().Truncate(24*time.Hour)), append(beacons, r.Beacon), append(sent, whole)
		}
	}
	batch.Queue(`
		insert into outcome_days as d (day, beacon, sent, skipped)
		select day, beacon, sum(sent), count(*) - sum(sent)
		from unnest($1::date[], $2::text[], $3::bigint[]) as k (day, beacon, sent)
		group by day, beacon order by day, beacon
		on conflict (day, beacon) do update set sent = d.sent + excluded.sent, skipped = d.skipped + excluded.skipped`,
		days, beacons, sent)
}
