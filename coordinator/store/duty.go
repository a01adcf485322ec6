package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/people/duty"
)

// dutyLock is held by whoever changes who is in control.
const dutyLock = 0x64757479 // "duty"

// lastsNow says in SQL whether a period of duty lasts, as duty.Period.At does.
const lastsNow = "d.started_at <= now() and now() < least(d.until_at, d.confirmed_at + interval '4 hours', d.ended_at)"

type rowsReader interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// InControl gives the period that lasts now at each site; none where nobody is.
func (s *Store) InControl(ctx context.Context) (map[string]duty.Period, error) {
	return inControl(ctx, s.pool, "", lastsNow)
}

// InControl is the period that lasts at a site; its Site is empty where none
// does.
func (tx *Tx) InControl(ctx context.Context, site string) (duty.Period, error) {
	periods, err := inControl(ctx, tx, site, lastsNow)
	return periods[site], err
}

func inControl(ctx context.Context, db rowsReader, site, condition string) (map[string]duty.Period, error) {
	rows, err := db.Query(ctx, `
		select d.period, d.site, d.person, d.contact, d.started_at, d.confirmed_at, d.until_at, d.ended_at
		from duty_periods d where ($1 = '' or d.site = $1) and `+condition+" order by d.period", site)
	if err != nil {
		return nil, err
	}
	return periodsBySite(rows)
}

func periodsBySite(rows pgx.Rows) (map[string]duty.Period, error) {
	periods := map[string]duty.Period{}
	var p duty.Period
	var ended *time.Time
	_, err := pgx.ForEachRow(rows, []any{&p.Number, &p.Site, &p.Person, &p.Contact, &p.Started, &p.Confirmed, &p.Until, &ended}, func() error {
		p.Ended = time.Time{}
		if ended != nil {
			p.Ended = *ended
		}
		periods[p.Site] = p
		return nil
	})
	return periods, err
}

// LatestPeriod is the period of a site that lasts, or else ended last.
func (tx *Tx) LatestPeriod(ctx context.Context, site string) (duty.Period, error) {
	periods, err := inControl(ctx, tx, site, "d.period = (select max(period) from duty_periods where site = d.site)")
	return periods[site], err
}

// ChangeDuty runs do with nobody else changing who is in control.
func (s *Store) ChangeDuty(ctx context.Context, do func(ctx context.Context, tx *Tx) error) error {
	return s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		if _, err := tx.Exec(ctx, "select pg_advisory_xact_lock($1)", int64(dutyLock)); err != nil {
			return err
		}
		return do(ctx, tx)
	})
}

// StartPeriod ends the period that lasts at the site, and stores the next.
func (tx *Tx) StartPeriod(ctx context.Context, p duty.Period) error {
	_, err := tx.Exec(ctx, "update duty_periods d set ended_at = now() where d.site = $1 and "+lastsNow, p.Site)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		insert into duty_periods (site, person, contact, started_at, confirmed_at, until_at) values ($1, $2, $3, $4, $5, $6)`,
		p.Site, p.Person, p.Contact, p.Started, p.Confirmed, p.Until)
	return err
}

// ConfirmPeriod notes when its person said that they are still there.
func (tx *Tx) ConfirmPeriod(ctx context.Context, p duty.Period) error {
	_, err := tx.Exec(ctx, "update duty_periods set confirmed_at = $2 where period = $1", p.Number, p.Confirmed)
	return err
}

// EndPeriod ends it now.
func (tx *Tx) EndPeriod(ctx context.Context, p duty.Period) error {
	_, err := tx.Exec(ctx, "update duty_periods set ended_at = now() where period = $1 and ended_at is null", p.Number)
	return err
}

// AddTurn puts a turn on the roster and returns its number.
func (s *Store) AddTurn(ctx context.Context, t duty.Turn) (entry int64, err error) {
	err = s.pool.QueryRow(ctx, "insert into duty_roster (site, person, from_at, until_at) values ($1, $2, $3, $4) returning entry",
		t.Site, t.Person, t.From, t.Until).Scan(&entry)
	return entry, err
}

// RemoveTurn takes a turn of a site off the roster, and says whether it was
// there.
func (s *Store) RemoveTurn(ctx context.Context, entry int64, site string) (removed bool, err error) {
	tag, err := s.pool.Exec(ctx, "delete from duty_roster where entry = $1 and site = $2", entry, site)
	return tag.RowsAffected() == 1, err
}

// RosterTurn is a turn with how to reach its person.
type RosterTurn struct {
	duty.Turn
	Contact string
}

// Roster gives the turns that are not over, by site and time.
func (s *Store) Roster(ctx context.Context) ([]RosterTurn, error) {
	rows, err := s.pool.Query(ctx, `
		select r.entry, r.site, r.person, r.from_at, r.until_at, r.asked_at, p.contact
		from duty_roster r join people p on p.name = r.person
		where r.until_at > now() order by r.site, r.from_at, r.entry limit 1000`)
	if err != nil {
		return nil, err
	}
	var list []RosterTurn
	var t RosterTurn
	var asked *time.Time
	_, err = pgx.ForEachRow(rows, []any{&t.Entry, &t.Site, &t.Person, &t.From, &t.Until, &asked, &t.Contact}, func() error {
		t.Asked = time.Time{}
		if asked != nil {
			t.Asked = *asked
		}
		list = append(list, t)
		return nil
	})
	return list, err
}

// TurnAsked notes that the person of a turn was asked to take over, and says
// whether nobody had noted it before.
func (tx *Tx) TurnAsked(ctx context.Context, entry int64) (first bool, err error) {
	tag, err := tx.Exec(ctx, "update duty_roster set asked_at = now() where entry = $1 and asked_at is null", entry)
	return tag.RowsAffected() == 1, err
}
