package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/alert"
)

// Longer says what is to be read of what shows only over hours or days.
type Longer struct {
	Batteries []string // beacons whose supply may run out
	LeastSent int64    // a band on which a beacon sent less often unheard is not worth a word
	NearM     int64    // receivers within so many metres do not count
}

// ObserveLonger reads what takes hours or days to come about, and about as long
// to read as everything else together.
func (s *Store) ObserveLonger(ctx context.Context, q Longer) (Observed, error) {
	o := Observed{}
	if err := s.observeDays(ctx, o); err != nil {
		return nil, err
	}
	if err := s.observeDeadBands(ctx, o, q); err != nil {
		return nil, err
	}
	if len(q.Batteries) == 0 {
		return o, nil
	}
	return o, s.observeSupplies(ctx, o, q.Batteries)
}

// daysBack is how many UTC days are looked at, today included.
const daysBack = 8

// observeDays counts how the slots of each day ended, but for those that people
// kept silent and those that were no longer to be.
func (s *Store) observeDays(ctx context.Context, o Observed) error {
	var back, minutes int
	var day alert.Day
	return s.each(ctx, o, []any{&back, &minutes, &day.Fair, &day.Sent, &day.Lost}, func(b *alert.Beacon) {
		if b.Days == nil {
			b.Days = make([]alert.Day, daysBack)
		}
		day.Heard = time.Duration(minutes) * time.Minute
		b.Days[back] = day
	}, `
		select d.beacon, (now() at time zone 'UTC')::date - d.day, d.minutes_heard, coalesce(sum(k.slots), 0)::bigint,
			coalesce(sum(k.slots) filter (where k.ending = 'sent'), 0)::bigint,
			coalesce((array_agg(coalesce(nullif(k.reason, ''), k.ending) order by k.slots desc) filter (where k.ending <> 'sent'))[1], '')
		from beacon_days d left join lateral (
			select ending, reason, sum(n) as slots from unnest(d.endings, d.reasons, d.slots) as u (ending, reason, n)
			where ending not in ('withdrawn', 'open') and reason not in ('hushed', 'operator_absent', $2, $3) group by ending, reason
		) k on true
		where d.day > (now() at time zone 'UTC')::date - $1::int and d.day <= (now() at time zone 'UTC')::date
		group by d.beacon, d.day, d.minutes_heard`, daysBack, ReasonWithdrawn, ReasonUnordered)
}

// observeDeadBands finds the bands on which a beacon sent since it was reported
// last, or in a week, and how often others were reported in the hours since.
func (s *Store) observeDeadBands(ctx context.Context, o Observed, q Longer) error {
	var band alert.DeadBand
	return s.each(ctx, o, []any{&band.Band, &band.Since, &band.Sent, &band.Others}, func(b *alert.Beacon) {
		b.DeadBands = append(b.DeadBands, band)
	}, `
		with far as materialized (
			select beacon, band, start_at from receptions
			where beacon is not null and distance_m > $2 and start_at > now() - interval '7 days'
		), latest as (
			select beacon, band, max(start_at) as at from far group by beacon, band
		), reports as (
			select band, date_trunc('hour', start_at) as hour, count(*) as n from far group by 1, 2
		), unheard as (
			select h.beacon, k.band, coalesce(latest.at, now() - interval '7 days') as since, sum(k.n)::bigint as sent
			from beacon_hours h cross join lateral unnest(h.bands, h.endings, h.slots) as k (band, ending, n)
			left join latest on latest.beacon = h.beacon and latest.band = k.band
			where h.hour > now() - interval '7 days' and k.ending = 'sent' and (latest.at is null or h.hour > latest.at)
				and exists (select from reports r where r.band = k.band)
			group by h.beacon, k.band, latest.at having sum(k.n) >= $1
		)
		select beacon, band, since, sent, coalesce((select sum(n) from reports r where r.band = u.band and r.hour >= u.since), 0)::bigint
		from unheard u order by beacon, band`, q.LeastSent, q.NearM)
}

// observeSupplies reads a voltage for each half hour of the last six.
func (s *Store) observeSupplies(ctx context.Context, o Observed, beacons []string) error {
	rows, err := s.pool.Query(ctx, `
		select k.beacon, r.device_time, r.body
		from unnest($1::text[]) as k (beacon)
		cross join generate_series(now() - interval '6 hours', now() - interval '30 minutes', interval '30 minutes') as t (since)
		cross join lateral (
			select device_time, body from records r
			where r.beacon = k.beacon and r.kind = 'health' and r.device_time >= t.since and r.device_time < t.since + interval '30 minutes'
				and r.recorded_day >= (now() at time zone 'UTC')::date - 1
			order by device_time desc limit 1
		) r order by k.beacon, r.device_time`, beacons)
	if err != nil {
		return err
	}
	var name string
	var at time.Time
	var body []byte
	_, err = pgx.ForEachRow(rows, []any{&name, &at, &body}, func() error {
		if h := healthOf(body); h != nil && h.SupplyVolts != nil {
			b := o.of(name)
			b.Supply = append(b.Supply, alert.Volts{At: at, Volts: h.GetSupplyVolts()})
		}
		return nil
	})
	return err
}

// StrayReception is a report of a call sign of ours in a slot or on a band in
// which it was not to be.
type StrayReception struct {
	Reception
	Fresh bool // it came within the last hour
}

// mostStrays bounds what is read of them.
const mostStrays = 10_000

// StrayReceptions gives those of the last eight days, the latest first.
func (s *Store) StrayReceptions(ctx context.Context) ([]StrayReception, error) {
	rows, err := s.pool.Query(ctx, `
		select `+receptionColumns+`, received_at > now() - interval '1 hour' as fresh from receptions
		where reason in ('not_ordered', 'other_band', 'not_sent') and start_at > now() - interval '8 days'
		order by start_at desc limit $1`, mostStrays)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[StrayReception])
}
