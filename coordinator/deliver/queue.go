package deliver

import (
	"context"
	"errors"
	"log/slog"
	"net/mail"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/store"
)

// Options are what a Queue works with; all are required.
type Options struct {
	Store     *store.Store
	Fleets    *store.Fleets
	Settings  Settings
	Publisher broker.Publisher
	Log       *slog.Logger
}

// Queue brings stored messages to their recipients.
type Queue struct {
	options Options
	carrier *carrier
	client  *river.Client[pgx.Tx] // only stores jobs
}

// New makes a Queue; nothing is delivered before Run.
func New(options Options) (*Queue, error) {
	q := &Queue{options: options, carrier: &carrier{options.Settings, options.Publisher, newHTTP(mailWithin), mailWithin}}
	var err error
	q.client, err = river.NewClient(options.Store.Jobs(), &river.Config{Logger: quiet(options.Log)})
	return q, err
}

// quiet passes on only what is wrong.
func quiet(log *slog.Logger) *slog.Logger { return slog.New(errorsOnly{log.Handler()}) }

type errorsOnly struct{ slog.Handler }

func (h errorsOnly) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelError && h.Handler.Enabled(ctx, level)
}

// delivery is the job of delivering one message.
type delivery struct {
	Message int64 `json:"message"`
}

// Kind names the job.
func (delivery) Kind() string { return "alert_message" }

// Add stores the jobs for messages in the transaction that stores them.
func (q *Queue) Add(ctx context.Context, tx *store.Tx, messages []int64) error {
	if len(messages) == 0 {
		return nil
	}
	jobs := make([]river.InsertManyParams, len(messages))
	for i, number := range messages {
		jobs[i] = river.InsertManyParams{Args: delivery{number}, InsertOpts: &river.InsertOpts{MaxAttempts: 1000}}
	}
	_, err := q.client.InsertManyTx(ctx, tx.Tx, jobs)
	return err
}

// Run works jobs off until ctx ends. An attempt under way when this process is
// killed is taken up again by whoever runs next.
func (q *Queue) Run(ctx context.Context) error {
	workers := river.NewWorkers()
	river.AddWorker(workers, &worker{queue: q})
	client, err := river.NewClient(q.options.Store.Jobs(), &river.Config{
		Workers: workers, Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: 8}},
		PollOnly: true, FetchPollInterval: time.Second, JobTimeout: attemptTakes + 15*time.Second,
		RescueStuckJobsAfter: 2 * attemptTakes, Logger: quiet(q.options.Log),
	})
	if err != nil {
		return err
	}
	if err := client.Start(ctx); err != nil {
		return err
	}
	<-ctx.Done()
	stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), 4*time.Second)
	defer cancel()
	return errors.Join(ctx.Err(), client.StopAndCancel(stopping))
}

// worker makes one attempt at a time.
type worker struct {
	river.WorkerDefaults[delivery]
	queue *Queue
}

// Work makes an attempt, and says when the next one is due.
func (w *worker) Work(ctx context.Context, job *river.Job[delivery]) error {
	again, err := w.queue.attempt(ctx, job.Args.Message)
	if err != nil {
		return err
	}
	if again > 0 {
		return river.JobSnooze(again)
	}
	return nil
}

// states are what a message is after an answer.
var states = map[Answer]string{Accepted: "accepted", Refused: "undelivered", Later: "waiting", Unclear: "waiting"}

// attempt makes one attempt at a message, and says after which time to try
// again; 0: never.
func (q *Queue) attempt(ctx context.Context, number int64) (time.Duration, error) {
	m, now, err := q.options.Store.BeginAttempt(ctx, number)
	if err != nil || m.State != "waiting" {
		return 0, err
	}
	to, network, err := q.recipient(ctx, m)
	if err != nil {
		return 0, err
	}
	said := outcome(Refused, "recipient %s has left the fleet file", m.Recipient)
	if m.Event == string(alert.OnDuty) {
		said = outcome(Refused, "%s can't be reached from here: write a mail address into the account (lamplighter people), or a recipient of that name into the fleet file", m.Recipient)
	}
	if to != nil {
		trying, cancel := context.WithTimeout(ctx, attemptTakes)
		said = q.carrier.carry(trying, to, parcel(network, m))
		cancel()
	}
	state := states[said.Answer]
	if state == "waiting" && now.Sub(m.MadeAt) >= giveUpAfter {
		state = "undelivered"
	}
	log := q.options.Log.With("message", number, "recipient", m.Recipient, "answer", said.Said)
	switch state {
	case "undelivered":
		log.Error("a message could not be delivered")
	case "waiting":
		log.Warn("a message is not delivered yet")
	}
	// Even where the coordinator is stopping: what is known is not to be lost.
	noting, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := q.options.Store.EndAttempt(noting, number, state, said.Said, said.Answer != Unclear); err != nil || state != "waiting" {
		return 0, err
	}
	return wait(m.Attempts + 1), nil
}

// recipient finds one in the fleet file in force, or, where a person is asked to
// take duty, in their account; nil: there is none.
func (q *Queue) recipient(ctx context.Context, m store.AlertMessage) (*fleet.Recipient, string, error) {
	name := m.Recipient
	current, _, err := q.options.Fleets.Current(ctx)
	if err != nil || current == nil {
		return nil, "", err
	}
	for i := range current.Alerts.Recipients {
		if to := &current.Alerts.Recipients[i]; to.Name == name {
			return to, current.Network.ID, nil
		}
	}
	if m.Event != string(alert.OnDuty) {
		return nil, current.Network.ID, nil
	}
	account, err := q.options.Store.Account(ctx, name)
	if err != nil || account == nil {
		return nil, current.Network.ID, err
	}
	for _, word := range strings.FieldsFunc(account.Contact, func(r rune) bool { return r == ' ' || r == ',' || r == ';' }) {
		if address, err := mail.ParseAddress(word); err == nil {
			return &fleet.Recipient{Name: name, Mail: address.Address}, current.Network.ID, nil
		}
	}
	return nil, current.Network.ID, nil
}

func parcel(network string, m store.AlertMessage) Parcel {
	p := Parcel{
		Network: network, Message: m.Message, Event: m.Event, Recipient: m.Recipient,
		Subject: m.Subject, Text: m.Body, MadeAt: m.MadeAt,
	}
	if m.Alert != nil {
		p.Alert = *m.Alert
	}
	return p
}
