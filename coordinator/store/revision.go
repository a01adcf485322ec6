package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// ReportRevision is a weekly report as it was given out.
type ReportRevision struct {
	Week, Site string // Site "" is the whole network
	Revision   int
	MadeAt     time.Time
	Figures    []byte // the report as JSON
	Page       []byte // as HTML
	Paper      []byte // as PDF
}

// LatestRevision gives the latest revision of a week's report; its Revision is 0
// where there is none.
func (s *Store) LatestRevision(ctx context.Context, week, site string) (r ReportRevision, err error) {
	r.Week, r.Site = week, site
	err = s.pool.QueryRow(ctx, `
		select revision, made_at, figures, page, paper from report_revisions
		where week = $1 and site = $2 order by revision desc limit 1`, week, site).
		Scan(&r.Revision, &r.MadeAt, &r.Figures, &r.Page, &r.Paper)
	if errors.Is(err, pgx.ErrNoRows) {
		err = nil
	}
	return r, err
}

// SaveRevision stores a revision with a mail to each recipient, and says whether
// it was the one to do so: false, somebody else has stored that revision.
func (s *Store) SaveRevision(ctx context.Context, r ReportRevision, recipients []string) (saved bool, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		tag, err := tx.Exec(ctx, `
			insert into report_revisions (week, site, revision, made_at, figures, page, paper)
			values ($1, $2, $3, now(), $4, $5, $6) on conflict do nothing`,
			r.Week, r.Site, r.Revision, r.Figures, r.Page, r.Paper)
		if saved = err == nil && tag.RowsAffected() == 1; !saved {
			return err
		}
		_, err = tx.Exec(ctx, `
			insert into report_mails (recipient, week, site, revision, due_at)
			select distinct r, $2, $3, $4::integer, now() from unnest($1::text[]) r on conflict do nothing`,
			recipients, r.Week, r.Site, r.Revision)
		return err
	})
	return saved, err
}

// ReportMail is a mail with a revision that waits to be sent.
type ReportMail struct {
	Recipient string
	ReportRevision
	Attempts int       // those before this one
	Since    time.Time // when it was made
}

// mailTakes is how long nobody else takes up a mail that is being sent.
const mailTakes = 5 * time.Minute

// TakeReportMail takes up a mail that is due; its Recipient is "" where there is
// none. Whoever takes it up has to say what came of it with EndReportMail; if it
// does not in five minutes the mail is due again.
func (s *Store) TakeReportMail(ctx context.Context) (m ReportMail, err error) {
	err = s.pool.QueryRow(ctx, `
		with taken as (
			update report_mails set attempts = attempts + 1, due_at = now() + $1::interval
			where (recipient, week, site, revision) = (
				select recipient, week, site, revision from report_mails
				where state = 'waiting' and due_at <= now() order by due_at limit 1 for update skip locked)
			returning recipient, week, site, revision, attempts)
		select t.recipient, t.week, t.site, t.revision, t.attempts - 1, r.made_at, r.figures, r.page, r.paper
		from taken t join report_revisions r using (week, site, revision)`, mailTakes).
		Scan(&m.Recipient, &m.Week, &m.Site, &m.Revision, &m.Attempts, &m.Since, &m.Figures, &m.Page, &m.Paper)
	if errors.Is(err, pgx.ErrNoRows) {
		err = nil
	}
	return m, err
}

// EndReportMail says what came of a mail, and when it is due again if it waits.
func (s *Store) EndReportMail(ctx context.Context, m ReportMail, state, answer string, again time.Duration) error {
	_, err := s.pool.Exec(ctx, `
		update report_mails set state = $5, answer = $6, due_at = now() + $7::interval
		where recipient = $1 and week = $2 and site = $3 and revision = $4`,
		m.Recipient, m.Week, m.Site, m.Revision, state, answer, again)
	return err
}
