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

// CountOpenAlerts counts the alerts that stand open and that no other one
// explains, by condition.
func (s *Store) CountOpenAlerts(ctx context.Context) (map[alert.Code]int64, error) {
	rows, err := s.pool.Query(ctx, `
		select condition, count(*) from alerts
		where not closed and state in ('raised', 'acknowledged', 'unsteady') and coalesce(memory ->> 'HiddenBy', '') = '' group by condition`)
	if err != nil {
		return nil, err
	}
	open := map[alert.Code]int64{}
	var code alert.Code
	var count int64
	_, err = pgx.ForEachRow(rows, []any{&code, &count}, func() error {
		open[code] = count
		return nil
	})
	return open, err
}

// SaveAlerts stores alerts as they are now, and gives those their number that
// have none. It takes as many statements for a thousand as for one.
func (tx *LeaderTx) SaveAlerts(ctx context.Context, alerts []*alert.Alert) error {
	var known, fresh alertRows
	byKey := map[alert.Key]*alert.Alert{}
	for _, a := range alerts {
		rows := &known
		if a.Number == 0 {
			rows, byKey[a.Key] = &fresh, a
		}
		if err := rows.add(a); err != nil {
			return err
		}
	}
	if len(known.number) > 0 {
		_, err := tx.Exec(ctx, `
			update alerts a set state = n.state, since = n.since, raised_at = n.raised_at, over_at = n.over_at, closed = n.closed, memory = n.memory::jsonb
			from `+unnestedAlerts+` where a.alert = n.number and exists (select from leadership where epoch = $1)`, known.arguments(tx.Epoch)...)
		if err != nil {
			return err
		}
	}
	if len(fresh.number) == 0 {
		return nil
	}
	rows, err := tx.Query(ctx, `
		insert into alerts (condition, site, beacon, state, since, raised_at, over_at, closed, memory)
		select n.condition, n.site, n.beacon, n.state, n.since, n.raised_at, n.over_at, n.closed, n.memory::jsonb
		from `+unnestedAlerts+` where exists (select from leadership where epoch = $1) order by n.place
		returning condition, site, beacon, alert`, fresh.arguments(tx.Epoch)...)
	if err != nil {
		return err
	}
	var key alert.Key
	var number int64
	_, err = pgx.ForEachRow(rows, []any{&key.Code, &key.Site, &key.Beacon, &number}, func() error {
		byKey[key].Number = number
		return nil
	})
	return err
}

// alertRows are alerts as one array for each column.
type alertRows struct {
	number                         []int64
	condition, site, beacon, state []string
	since                          []time.Time
	raised, over                   []*time.Time
	closed                         []bool
	memory                         []string
}

const unnestedAlerts = `unnest($2::bigint[], $3::text[], $4::text[], $5::text[], $6::text[], $7::timestamptz[], $8::timestamptz[], $9::timestamptz[], $10::boolean[], $11::text[])
			with ordinality as n (number, condition, site, beacon, state, since, raised_at, over_at, closed, memory, place)`

func (r *alertRows) add(a *alert.Alert) error {
	memory, err := json.Marshal(a)
	r.number, r.state, r.since = append(r.number, a.Number), append(r.state, string(a.State)), append(r.since, a.Since)
	r.condition, r.site, r.beacon = append(r.condition, string(a.Code)), append(r.site, a.Site), append(r.beacon, a.Beacon)
	r.raised, r.over = append(r.raised, nullTime(a.RaisedAt)), append(r.over, nullTime(a.OverAt))
	r.closed, r.memory = append(r.closed, a.Closed), append(r.memory, string(memory))
	return err
}

func (r *alertRows) arguments(epoch uint64) []any {
	return []any{int64(epoch), r.number, r.condition, r.site, r.beacon, r.state, r.since, r.raised, r.over, r.closed, r.memory}
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
