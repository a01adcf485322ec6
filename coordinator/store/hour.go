package store

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/rollup"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// beaconHour is one hour of one beacon.
type beaconHour struct {
	Beacon string
	Hour   time.Time
}

// Which hours are believed: what a beacon with a wild clock says of others is
// kept as a record and rolled up into none.
const (
	believedPast   = 100 * 24 * time.Hour
	believedFuture = 24 * time.Hour
)

// markHours notes that newly stored records change the roll-ups of hours.
func (tx *Tx) markHours(ctx context.Context, fresh []Record) error {
	set := map[beaconHour]bool{}
	for _, r := range fresh {
		at := r.DeviceTime
		if r.Outcome != nil {
			at = r.Outcome.StartAt
		} else if r.Kind != "health" {
			continue
		}
		if at != nil && at.After(tx.Now.Add(-believedPast)) && at.Before(tx.Now.Add(believedFuture)) {
			set[beaconHour{r.Beacon, at.UTC().Truncate(time.Hour)}] = true
		}
	}
	if len(set) == 0 {
		return nil
	}
	marks := make([]beaconHour, 0, len(set))
	for mark := range set {
		marks = append(marks, mark)
	}
	beacons, hours := hourColumns(marks)
	_, err := tx.Exec(ctx, `
		insert into hours_due (beacon, hour)
		select beacon, hour from unnest($1::text[], $2::timestamptz[]) with ordinality as k (beacon, hour, n) order by n
		on conflict do nothing`, beacons, hours)
	return err
}

// hourColumns sorts hours and turns them into one array for each column.
func hourColumns(of []beaconHour) (beacons []string, hours []time.Time) {
	slices.SortFunc(of, func(a, b beaconHour) int { return cmp.Or(cmp.Compare(a.Beacon, b.Beacon), a.Hour.Compare(b.Hour)) })
	for _, h := range of {
		beacons, hours = append(beacons, h.Beacon), append(hours, h.Hour)
	}
	return beacons, hours
}

// rollAtOnce is how many hours of beacons one transaction rolls up.
const rollAtOnce = 200

// RollUp makes the roll-ups anew of hours that are due and that began before a
// time, and returns how many it made. It makes a bounded number of them: call it
// again until it makes none. Several may run at once.
func (s *Store) RollUp(ctx context.Context, before time.Time) (made int, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		// Who stores a record of these hours from here on waits for the end of
		// this transaction and marks them again.
		rows, err := tx.Query(ctx, `
			delete from hours_due where (beacon, hour) in (
				select beacon, hour from hours_due where hour < $1 order by beacon, hour limit $2 for update skip locked)
			returning beacon, hour`, before, rollAtOnce)
		if err != nil {
			return err
		}
		due, err := pgx.CollectRows(rows, pgx.RowToStructByName[beaconHour])
		made = len(due)
		if err != nil || made == 0 {
			return err
		}
		return tx.rollUp(ctx, due)
	})
	return made, err
}

func (tx *Tx) rollUp(ctx context.Context, due []beaconHour) error {
	var dropped time.Time
	if err := tx.QueryRow(ctx, "select dropped_before from memory").Scan(&dropped); err != nil {
		return err
	}
	pieces := make([]piece, len(due))
	for i, d := range due {
		pieces[i] = piece{d.Beacon, d.Hour, d.Hour, d.Hour.Add(time.Hour)}
	}
	hours, err := rollPieces(ctx, tx, pieces)
	if err != nil {
		return err
	}
	batch := &pgx.Batch{}
	for _, h := range hours {
		queueHour(batch, h, h.Start.Before(dropped.Add(24*time.Hour)))
	}
	if err := tx.SendBatch(ctx, batch).Close(); err != nil {
		return err
	}
	return tx.sumDays(ctx, due)
}

// piece is an hour of a beacon, or the part of it in [from, to).
type piece struct {
	beacon         string
	hour, from, to time.Time
}

// querier is the pool, or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// rollPieces condenses what raw data there are.
func rollPieces(ctx context.Context, db querier, pieces []piece) ([]rollup.Hour, error) {
	var beacons []string
	var froms, tos []time.Time
	for _, p := range pieces {
		beacons, froms, tos = append(beacons, p.beacon), append(froms, p.from), append(tos, p.to)
	}
	samples, err := samplesOf(ctx, db, beacons, froms, tos)
	if err != nil {
		return nil, err
	}
	slots, err := slotsOf(ctx, db, beacons, froms, tos)
	if err != nil {
		return nil, err
	}
	hours := make([]rollup.Hour, len(pieces))
	for i, p := range pieces {
		hours[i] = rollup.Roll(p.beacon, p.hour, samples[i], slots[i])
	}
	return hours, nil
}

// samplesOf reads the health samples of periods of beacons; a record lies under
// the day on which it was taken, or beside it.
func samplesOf(ctx context.Context, db querier, beacons []string, froms, tos []time.Time) ([][]rollup.Sample, error) {
	rows, err := db.Query(ctx, `
		select k.n, r.device_time, r.body
		from unnest($1::text[], $2::timestamptz[], $3::timestamptz[]) with ordinality as k (beacon, since, until, n)
		join records r on r.beacon = k.beacon and r.kind = 'health' and r.device_time >= k.since and r.device_time < k.until
			and r.recorded_day between (k.since at time zone 'UTC')::date - 2 and (k.until at time zone 'UTC')::date + 2`,
		beacons, froms, tos)
	if err != nil {
		return nil, err
	}
	samples := make([][]rollup.Sample, len(beacons))
	var n int
	var at time.Time
	var body []byte
	_, err = pgx.ForEachRow(rows, []any{&n, &at, &body}, func() error {
		if sample, ok := sampleOf(at, body); ok {
			samples[n-1] = append(samples[n-1], sample)
		}
		return nil
	})
	return samples, err
}

// healthOf reads a record of health; nil: its bytes say something else.
func healthOf(body []byte) *wirev1.Health {
	var record wirev1.Record
	if (proto.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(body, &record) != nil {
		return nil
	}
	return record.GetHealth()
}

// sampleOf reads a record of health; false: its bytes say something else.
func sampleOf(at time.Time, body []byte) (rollup.Sample, bool) {
	h := healthOf(body)
	if h == nil {
		return rollup.Sample{}, false
	}
	sample := rollup.Sample{At: at, ClockErrorNs: h.ClockErrorBoundNs, FrequencyPpb: h.FrequencyUncertaintyPpb, OnAir: h.GetOnAir()}
	switch h.GetLock() {
	case wirev1.Lock_LOCK_LOCKED:
		sample.Lock = "locked"
	case wirev1.Lock_LOCK_HOLDOVER:
		sample.Lock = "holdover"
	case wirev1.Lock_LOCK_NONE:
		sample.Lock = "none"
	}
	return sample, true
}

// Reasons that the ledger gives beside those of agents: what was on the air
// though it was withdrawn, or that nobody here ordered, such as orders that a
// restored database has lost.
const (
	ReasonWithdrawn = "withdrawn"
	ReasonUnordered = "unordered"
)

// slotsOf reads how the slots of periods of beacons ended.
func slotsOf(ctx context.Context, db querier, beacons []string, froms, tos []time.Time) ([][]rollup.Slot, error) {
	rows, err := db.Query(ctx, `
		with k as (select * from unnest($1::text[], $2::timestamptz[], $3::timestamptz[]) with ordinality as k (beacon, since, until, n))
		select k.n, l.band, case when l.contradicted and o.kind <> 'skipped' then o.kind else l.ending end,
			case when l.contradicted and o.kind <> 'skipped' then $4 else coalesce(l.reason, '') end,
			l.keyed_at, l.unkeyed_at
		from k join ledger l on l.beacon = k.beacon and l.start_at >= k.since and l.start_at < k.until
		left join lateral (select kind from outcomes o where l.contradicted and o.beacon = l.beacon and o.slot = l.slot order by o.received_at limit 1) o on true
		union all
		select k.n, o.band, o.kind, $5, o.keyed_at, o.unkeyed_at
		from k join outcomes o on o.beacon = k.beacon and o.start_at >= k.since and o.start_at < k.until and o.kind <> 'skipped'
		where not exists (select from order_slots s where s.beacon = o.beacon and s.slot = o.slot)`,
		beacons, froms, tos, ReasonWithdrawn, ReasonUnordered)
	if err != nil {
		return nil, err
	}
	slots := make([][]rollup.Slot, len(beacons))
	var n int
	var slot rollup.Slot
	var keyed, unkeyed *time.Time
	_, err = pgx.ForEachRow(rows, []any{&n, &slot.Band, &slot.Ending, &slot.Reason, &keyed, &unkeyed}, func() error {
		slot.Keyed = keyedFor(keyed, unkeyed)
		slots[n-1] = append(slots[n-1], slot)
		return nil
	})
	return slots, err
}

// keyedFor is how long the key was down; zero where that is not known, or can't
// be true.
func keyedFor(keyed, unkeyed *time.Time) time.Duration {
	if keyed == nil || unkeyed == nil || unkeyed.Before(*keyed) || unkeyed.Sub(*keyed) > time.Hour {
		return 0
	}
	return unkeyed.Sub(*keyed)
}
