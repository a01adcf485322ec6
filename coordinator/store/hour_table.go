package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/rollup"
)

const (
	histogramColumns = "clock_ns, clock_count, worst_clock_ns, worst_clock_at, frequency_ppt, frequency_count"
	slotColumns      = "bands, endings, reasons, slots, keyed_us"
	hourColumnNames  = "beacon, hour, samples, heard, ready, locked, holdover, on_air, " + histogramColumns + ", " + slotColumns
)

// queueHour stores an hour. With slotsOnly, what an earlier roll-up knew of its
// health stays: the raw samples are gone.
func queueHour(batch *pgx.Batch, h rollup.Hour, slotsOnly bool) {
	set := ""
	if !slotsOnly {
		set = `samples = excluded.samples, heard = excluded.heard, ready = excluded.ready, locked = excluded.locked,
			holdover = excluded.holdover, on_air = excluded.on_air, clock_ns = excluded.clock_ns, clock_count = excluded.clock_count,
			worst_clock_ns = excluded.worst_clock_ns, worst_clock_at = excluded.worst_clock_at,
			frequency_ppt = excluded.frequency_ppt, frequency_count = excluded.frequency_count, `
	}
	batch.Queue(`
		insert into beacon_hours (`+hourColumnNames+`)
		values (@beacon, @hour, @samples, @heard, @ready, @locked, @holdover, @on_air, @clock_ns, @clock_count,
			@worst_ns, @worst_at, @frequency_ppt, @frequency_count, @bands, @endings, @reasons, @slots, @keyed_us)
		on conflict (beacon, hour) do update set `+set+`bands = excluded.bands, endings = excluded.endings,
			reasons = excluded.reasons, slots = excluded.slots, keyed_us = excluded.keyed_us`,
		withCommon(pgx.NamedArgs{
			"beacon": h.Beacon, "hour": h.Start, "samples": h.Samples, "heard": int64(h.Heard), "ready": int64(h.Ready),
			"locked": int64(h.Locked), "holdover": int64(h.Holdover), "on_air": int64(h.OnAir),
		}, h.Clock, h.Worst, h.Frequency, h.Slots))
}

// withCommon adds what hours and days have in common.
func withCommon(args pgx.NamedArgs, clock rollup.Histogram, worst rollup.Worst, frequency rollup.Histogram, counts []rollup.SlotCount) pgx.NamedArgs {
	args["clock_ns"], args["clock_count"] = clock.Columns()
	args["frequency_ppt"], args["frequency_count"] = frequency.Columns()
	args["worst_ns"], args["worst_at"] = nil, nil
	if !worst.At.IsZero() {
		args["worst_ns"], args["worst_at"] = worst.Ns, worst.At
	}
	n := len(counts)
	bands, endings, reasons := make([]string, n), make([]string, n), make([]string, n)
	slots, keyed := make([]int64, n), make([]int64, n)
	for i, c := range counts {
		bands[i], endings[i], reasons[i], slots[i], keyed[i] = c.Band, c.Ending, c.Reason, c.Slots, c.Keyed.Microseconds()
	}
	args["bands"], args["endings"], args["reasons"], args["slots"], args["keyed_us"] = bands, endings, reasons, slots, keyed
	return args
}

// hourRow takes the columns of an hour.
type hourRow struct {
	beacon                                  string
	hour                                    time.Time
	samples                                 int
	heard, ready, locked, holdover, onAir   int64
	clockNs, clockCount, freqPpt, freqCount []int64
	worstNs                                 *int64
	worstAt                                 *time.Time
	bands, endings, reasons                 []string
	slots, keyedUs                          []int64
}

func (r *hourRow) into() []any {
	return []any{
		&r.beacon, &r.hour, &r.samples, &r.heard, &r.ready, &r.locked, &r.holdover, &r.onAir, &r.clockNs, &r.clockCount,
		&r.worstNs, &r.worstAt, &r.freqPpt, &r.freqCount, &r.bands, &r.endings, &r.reasons, &r.slots, &r.keyedUs,
	}
}

func (r *hourRow) get() rollup.Hour {
	h := rollup.Hour{
		Beacon: r.beacon, Start: r.hour, Samples: r.samples,
		Heard: rollup.Minutes(r.heard), Ready: rollup.Minutes(r.ready), Locked: rollup.Minutes(r.locked),
		Holdover: rollup.Minutes(r.holdover), OnAir: rollup.Minutes(r.onAir),
		Clock: rollup.FromColumns(r.clockNs, r.clockCount), Frequency: rollup.FromColumns(r.freqPpt, r.freqCount),
	}
	if r.worstNs != nil && r.worstAt != nil {
		h.Worst = rollup.Worst{Ns: *r.worstNs, At: *r.worstAt}
	}
	for i := range min(len(r.bands), len(r.endings), len(r.reasons), len(r.slots), len(r.keyedUs)) {
		h.Slots = append(h.Slots, rollup.SlotCount{
			Band: r.bands[i], Ending: r.endings[i], Reason: r.reasons[i],
			Slots: r.slots[i], Keyed: time.Duration(r.keyedUs[i]) * time.Microsecond,
		})
	}
	return h
}

// eachHour gives rows of hours one after the other; the arrays of a row are
// scanned anew for each.
func eachHour(rows pgx.Rows, do func(rollup.Hour) error) error {
	defer rows.Close()
	for rows.Next() {
		var r hourRow
		if err := rows.Scan(r.into()...); err != nil {
			return err
		}
		if err := do(r.get()); err != nil {
			return err
		}
	}
	return rows.Err()
}

// sumDays makes the days anew that hours belong to.
func (tx *Tx) sumDays(ctx context.Context, changed []beaconHour) error {
	beacons, hours := hourColumns(changed)
	rows, err := tx.Query(ctx, `
		select `+hourColumnNames+` from beacon_hours join (
			select distinct beacon, date_trunc('day', hour, 'UTC') as day from unnest($1::text[], $2::timestamptz[]) as k (beacon, hour)
		) d using (beacon) where hour >= day and hour < day + interval '1 day' order by beacon, hour`, beacons, hours)
	if err != nil {
		return err
	}
	batch := &pgx.Batch{}
	var day rollup.Day
	err = eachHour(rows, func(h rollup.Hour) error {
		if of := h.Start.Truncate(24 * time.Hour); h.Beacon != day.Beacon || !of.Equal(day.Day) {
			queueDay(batch, day)
			day = rollup.Day{Beacon: h.Beacon, Day: of}
		}
		day.Add(h)
		return nil
	})
	if err != nil {
		return err
	}
	queueDay(batch, day)
	return tx.SendBatch(ctx, batch).Close()
}

func queueDay(batch *pgx.Batch, d rollup.Day) {
	if d.Beacon == "" {
		return
	}
	batch.Queue(`
		insert into beacon_days (beacon, day, samples, minutes_heard, minutes_ready, minutes_locked, minutes_holdover, minutes_on_air,
			`+histogramColumns+`, `+slotColumns+`)
		values (@beacon, @day, @samples, @heard, @ready, @locked, @holdover, @on_air, @clock_ns, @clock_count,
			@worst_ns, @worst_at, @frequency_ppt, @frequency_count, @bands, @endings, @reasons, @slots, @keyed_us)
		on conflict (beacon, day) do update set samples = excluded.samples, minutes_heard = excluded.minutes_heard,
			minutes_ready = excluded.minutes_ready, minutes_locked = excluded.minutes_locked,
			minutes_holdover = excluded.minutes_holdover, minutes_on_air = excluded.minutes_on_air,
			clock_ns = excluded.clock_ns, clock_count = excluded.clock_count, worst_clock_ns = excluded.worst_clock_ns,
			worst_clock_at = excluded.worst_clock_at, frequency_ppt = excluded.frequency_ppt, frequency_count = excluded.frequency_count,
			bands = excluded.bands, endings = excluded.endings, reasons = excluded.reasons, slots = excluded.slots, keyed_us = excluded.keyed_us`,
		withCommon(pgx.NamedArgs{
			"beacon": d.Beacon, "day": d.Day, "samples": d.Samples, "heard": d.Heard, "ready": d.Ready,
			"locked": d.Locked, "holdover": d.Holdover, "on_air": d.OnAir,
		}, d.Clock, d.Worst, d.Frequency, d.Slots))
}

// BeaconHours gives the hours of beacons in [from, to), by beacon and hour.
// names limits them to some beacons; nil: all that were ever heard or ordered.
// Hours of which the period has a part are cut to it, from raw data where there
// still are any. Call RollUp before, so that it is up to date.
func (s *Store) BeaconHours(ctx context.Context, names []string, from, to time.Time, do func(rollup.Hour) error) error {
	rows, err := s.pool.Query(ctx, `
		select `+hourColumnNames+` from beacon_hours
		where ($1::text[] is null or beacon = any($1)) and hour > $2::timestamptz - interval '1 hour' and hour < $3
		order by beacon collate "C", hour`, names, from, to)
	if err != nil {
		return err
	}
	return eachHour(rows, func(h rollup.Hour) error {
		end := h.Start.Add(time.Hour)
		if h.Start.Before(from) || end.After(to) {
			cut, err := s.cutHour(ctx, h, later(h.Start, from), earlier(end, to))
			if err != nil {
				return err
			}
			h = cut
		}
		return do(h)
	})
}

// cutHour is the part of an hour that lies in [from, to).
func (s *Store) cutHour(ctx context.Context, h rollup.Hour, from, to time.Time) (rollup.Hour, error) {
	pieces, err := rollPieces(ctx, s.pool, []piece{{h.Beacon, h.Start, from, to}})
	if err != nil {
		return h, err
	}
	if pieces[0].Samples > 0 {
		return pieces[0], nil
	}
	cut := h.Cut(from, to)
	cut.Slots = pieces[0].Slots
	return cut, nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// BeaconDays gives the UTC days of a beacon in [from, to), oldest first.
func (s *Store) BeaconDays(ctx context.Context, beacon string, from, to time.Time) ([]rollup.Day, error) {
	rows, err := s.pool.Query(ctx, `
		select beacon, day, samples, minutes_heard, minutes_ready, minutes_locked, minutes_holdover, minutes_on_air,
			`+histogramColumns+`, `+slotColumns+`
		from beacon_days where beacon = $1 and day >= $2 and day < $3 order by day`, beacon, from, to)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var days []rollup.Day
	for rows.Next() {
		var r hourRow
		if err := rows.Scan(r.into()...); err != nil {
			return nil, err
		}
		h := r.get()
		days = append(days, rollup.Day{
			Beacon: h.Beacon, Day: h.Start.UTC(), Samples: h.Samples,
			Heard: int(r.heard), Ready: int(r.ready), Locked: int(r.locked), Holdover: int(r.holdover), OnAir: int(r.onAir),
			Clock: h.Clock, Worst: h.Worst, Frequency: h.Frequency, Slots: h.Slots,
		})
	}
	return days, rows.Err()
}
