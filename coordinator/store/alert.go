package store

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/alert"
)

// mostAlerts bounds what is listed.
const mostAlerts = 1000

// OpenAlerts gives the alerts that are not closed, as they were saved.
func (s *Store) OpenAlerts(ctx context.Context) ([]alert.Alert, error) {
	return s.alerts(ctx, "not closed order by alert")
}

// ListAlerts gives the alerts that stand open; with all, also the latest of
// those that are over or that nobody hears of.
func (s *Store) ListAlerts(ctx context.Context, all bool) ([]alert.Alert, error) {
	if all {
		return s.alerts(ctx, "true order by alert desc limit $1", mostAlerts)
	}
	return s.alerts(ctx, "not closed and state in ('raised', 'acknowledged', 'unsteady') order by alert limit $1", mostAlerts)
}

// ErrNoAlert says that there is no alert of a number.
var ErrNoAlert = errors.New("there is no such alert")

// Alert gives one.
func (s *Store) Alert(ctx context.Context, number int64) (alert.Alert, error) {
	found, err := s.alerts(ctx, "alert = $1", number)
	if err == nil && len(found) == 0 {
		err = ErrNoAlert
	}
	if err != nil {
		return alert.Alert{}, err
	}
	return found[0], nil
}

func (s *Store) alerts(ctx context.Context, condition string, args ...any) ([]alert.Alert, error) {
	rows, err := s.pool.Query(ctx, "select alert, memory from alerts where "+condition, args...)
	if err != nil {
		return nil, err
	}
	var list []alert.Alert
	var number int64
	var memory []byte
	_, err = pgx.ForEachRow(rows, []any{&number, &memory}, func() error {
		var a alert.Alert
		if err := json.Unmarshal(memory, &a); err != nil {
			return err
		}
		a.Number = number
		list = append(list, a)
		return nil
	})
	return list, err
}

// SaveAlerts stores alerts as they are now, and gives those their number that
// have none.
func (tx *LeaderTx) SaveAlerts(ctx context.Context, alerts []*alert.Alert) error {
	batch := &pgx.Batch{}
	for _, a := range alerts {
		memory, err := json.Marshal(a)
		if err != nil {
			return err
		}
		args := []any{int64(tx.Epoch), string(a.State), a.Since, nullTime(a.RaisedAt), nullTime(a.OverAt), a.Closed, memory}
		if a.Number != 0 {
			batch.Queue(`update alerts set state = $2, since = $3, raised_at = $4, over_at = $5, closed = $6, memory = $7
				where alert = $8 and exists (select from leadership where epoch = $1)`, append(args, a.Number)...)
			continue
		}
		batch.Queue(`insert into alerts (state, since, raised_at, over_at, closed, memory, condition, site, beacon)
			select $2, $3, $4, $5, $6, $7, $8, $9, $10 from leadership where epoch = $1 returning alert`,
			append(args, string(a.Code), a.Site, a.Beacon)...).QueryRow(func(row pgx.Row) error { return row.Scan(&a.Number) })
	}
	return tx.SendBatch(ctx, batch).Close()
}

func nullTime(at time.Time) *time.Time {
	if at.IsZero() {
		return nil
	}
	return &at
}

// AlertsGiven gives what people said of the alerts that are not closed, and the
// silences in force.
func (s *Store) AlertsGiven(ctx context.Context) (alert.Given, error) {
	given := alert.Given{Acknowledged: map[int64]alert.Acknowledgement{}}
	rows, err := s.pool.Query(ctx, `
		select distinct on (k.alert) k.alert, k.person, k.reason, k.at
		from alert_acknowledgements k join alerts a using (alert) where not a.closed
		order by k.alert, k.at desc`)
	if err != nil {
		return given, err
	}
	var number int64
	var said alert.Acknowledgement
	_, err = pgx.ForEachRow(rows, []any{&number, &said.By, &said.Why, &said.At}, func() error {
		given.Acknowledged[number] = said
		return nil
	})
	if err != nil {
		return given, err
	}
	given.Silences, err = s.Silences(ctx)
	return given, err
}

// Acknowledge notes who looks after an alert, from this moment on.
func (s *Store) Acknowledge(ctx context.Context, number int64, person, reason string) error {
	_, err := s.pool.Exec(ctx, "insert into alert_acknowledgements (alert, person, reason, at) values ($1, $2, $3, now())", number, person, reason)
	return err
}

// Silences gives those in force, oldest first.
func (s *Store) Silences(ctx context.Context) ([]alert.Silence, error) {
	rows, err := s.pool.Query(ctx, `
		select silence, condition, site, beacon, owner, reason, since, until
		from alert_silences where since <= now() and until > now() order by silence limit $1`, mostAlerts)
	if err != nil {
		return nil, err
	}
	var list []alert.Silence
	var one alert.Silence
	_, err = pgx.ForEachRow(rows, []any{&one.Number, &one.Code, &one.Site, &one.Beacon, &one.Owner, &one.Reason, &one.Since, &one.Until}, func() error {
		list = append(list, one)
		return nil
	})
	return list, err
}

// AddSilence stores a silence that begins now, unless check objects to it.
func (s *Store) AddSilence(ctx context.Context, silence alert.Silence, check func(alert.Silence) error) (alert.Silence, error) {
	err := s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		silence.Since = tx.Now
		if err := check(silence); err != nil {
			return err
		}
		return tx.QueryRow(ctx, `insert into alert_silences (condition, site, beacon, owner, reason, since, until)
			values ($1, $2, $3, $4, $5, $6, $7) returning silence`,
			string(silence.Code), silence.Site, silence.Beacon, silence.Owner, silence.Reason, silence.Since, silence.Until).Scan(&silence.Number)
	})
	return silence, err
}

// EndSilence ends one before its time, and says whether it was in force.
func (s *Store) EndSilence(ctx context.Context, number int64, by string) (ended bool, err error) {
	tag, err := s.pool.Exec(ctx, `update alert_silences set until = greatest(now(), since + interval '1 microsecond'), ended_by = $2
		where silence = $1 and until > now()`, number, by)
	return tag.RowsAffected() == 1, err
}
