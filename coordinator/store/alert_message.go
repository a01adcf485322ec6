package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/alert"
)

// AlertMessage is a message on its way to a recipient.
type AlertMessage struct {
	Message   int64
	Alert     *int64 // nil: a trial, or duty
	Recipient string
	Event     string
	Subject   string
	Body      string
	MadeAt    time.Time
	State     string // waiting, accepted, undelivered
	Attempts  int
	Unclear   int // attempts of which nobody knows whether they arrived
	Answer    string
}

const messageColumns = "message, alert, recipient, event, subject, body, made_at, state, attempts, unclear, answer"

// AddMessages stores what was decided to be told, and gives the numbers. The
// alerts of the messages must be saved.
func (tx *LeaderTx) AddMessages(ctx context.Context, messages []alert.Message) ([]int64, error) {
	if len(messages) == 0 {
		return nil, nil
	}
	var alerts []int64
	var recipients, events, subjects, bodies []string
	for _, m := range messages {
		alerts, recipients, events = append(alerts, m.Alert.Number), append(recipients, m.Recipient), append(events, string(m.What))
		subjects, bodies = append(subjects, m.Subject), append(bodies, m.Text)
	}
	rows, err := tx.Query(ctx, `
		insert into alert_messages (alert, epoch, recipient, event, subject, body, made_at)
		select n.alert, l.epoch, n.recipient, n.event, n.subject, n.body, now()
		from leadership l, unnest($2::bigint[], $3::text[], $4::text[], $5::text[], $6::text[])
			with ordinality as n (alert, recipient, event, subject, body, place)
		where l.epoch = $1 order by n.place returning message`, int64(tx.Epoch), alerts, recipients, events, subjects, bodies)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[int64])
}

// AddNotice stores a message that is about no alert: a trial, or duty.
func (tx *Tx) AddNotice(ctx context.Context, m alert.Message) (number int64, err error) {
	err = tx.QueryRow(ctx, `insert into alert_messages (epoch, recipient, event, subject, body, made_at)
		values (0, $1, $2, $3, $4, now()) returning message`, m.Recipient, string(m.What), m.Subject, m.Text).Scan(&number)
	return number, err
}

// BeginAttempt counts an attempt at a message that waits, as one of which
// nobody knows the end, and gives the message as it was before, with the time.
func (s *Store) BeginAttempt(ctx context.Context, number int64) (m AlertMessage, now time.Time, err error) {
	err = s.InTx(ctx, func(ctx context.Context, tx *Tx) error {
		now = tx.Now
		rows, err := tx.Query(ctx, "select "+messageColumns+" from alert_messages where message = $1 for update", number)
		if err != nil {
			return err
		}
		if m, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[AlertMessage]); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, "update alert_messages set attempts = attempts + 1, unclear = unclear + 1 where message = $1 and state = 'waiting'", number)
		return err
	})
	return m, now, err
}

// EndAttempt notes what came of an attempt: the message's state from now on, the
// answer, and whether that answer was clear.
func (s *Store) EndAttempt(ctx context.Context, number int64, state, answer string, clear bool) error {
	_, err := s.pool.Exec(ctx, `update alert_messages set state = $2, answer = $3,
		unclear = unclear - case when $4 then 1 else 0 end, ended_at = case when $2 <> 'waiting' then now() end
		where message = $1 and state = 'waiting'`, number, state, answer, clear)
	return err
}

// Undelivered gives the messages of the last week that could not be delivered.
func (s *Store) Undelivered(ctx context.Context) ([]AlertMessage, error) {
	return s.messages(ctx, "state = 'undelivered' and made_at > now() - interval '7 days' order by made_at desc limit 100")
}

// AlertMessages gives the latest messages, whatever became of them.
func (s *Store) AlertMessages(ctx context.Context, most int) ([]AlertMessage, error) {
	return s.messages(ctx, "true order by message desc limit $1", most)
}

func (s *Store) messages(ctx context.Context, condition string, args ...any) ([]AlertMessage, error) {
	rows, err := s.pool.Query(ctx, "select "+messageColumns+" from alert_messages where "+condition, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[AlertMessage])
}
