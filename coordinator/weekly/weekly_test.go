package weekly_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/report"
	"lamplighter/coordinator/reporting"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	"lamplighter/coordinator/weekly"
)

const yaml = `
network: {name: Little Net}
sites: [{name: a, locator: JO62QM, time_zone: Europe/Berlin}]
beacons: [{name: one, callsign: Q1ABC, site: a, control: remote, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [40m]}]
reports: [{mail: secretary@example.org}, {mail: holder@example.org, site: a}]
`

// world is a network whose last whole week can be filled, and a post office.
type world struct {
	t         *testing.T
	store     *store.Store
	publisher *weekly.Publisher
	week      report.Period
	sent      []string // recipient, subject
	ids       map[string]int
	refuse    error
}

func newWorld(t *testing.T) *world {
	s := storetest.New(t)
	if _, err := s.ApplyFleet(t.Context(), store.FleetVersion{Network: "little-net", SlotSeconds: 120, File: "fleet.yaml", YAML: yaml, AppliedBy: "test"}, 0); err != nil {
		t.Fatal(err)
	}
	now, err := s.Now(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Read("fleet.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	w := &world{t: t, store: s, ids: map[string]int{}, week: report.WeekAt(now, f.Calendar()).Before()}
	if now.Before(w.week.To.Add(report.CutOff)) { // not before it is due
		w.week = w.week.Before()
	}
	w.exec("update fleet_versions set applied_at = $1", w.week.From.AddDate(0, 0, -60))
	w.exec("update memory set hours_seen = date_trunc('hour', now())")
	w.publisher = weekly.New(weekly.Options{
		Reporter: reporting.Reporter{Store: s, Fleets: store.NewFleets(s)}, Send: w.send, Log: slog.New(slog.DiscardHandler),
	})
	return w
}

func (w *world) send(_ context.Context, l weekly.Letter) error {
	if w.refuse != nil {
		return w.refuse
	}
	w.sent = append(w.sent, l.To+" "+l.Subject)
	w.ids[l.MessageID]++
	if !strings.HasPrefix(string(l.Page), "<!DOCTYPE html>") || !strings.HasPrefix(string(l.Paper), "%PDF") || l.Text == "" || !strings.HasSuffix(l.File, ".pdf") {
		w.t.Errorf("the letter to %s is not whole", l.To)
	}
	return nil
}

func (w *world) exec(sql string, args ...any) {
	w.t.Helper()
	conn, err := w.store.Dedicated(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if _, err := conn.Exec(w.t.Context(), sql, args...); err != nil {
		w.t.Fatal(err)
	}
}

// hour writes down that an hour of the week had so many transmissions.
func (w *world) hour(sent int) {
	w.t.Helper()
	w.exec(`
		insert into beacon_hours values ('one', $1, 120, 3, 3, 3, 0, 0, '{}', '{}', null, null, '{}', '{}', '{40m}', '{sent}', '{""}', array[$2::bigint], '{1000}')
		on conflict (beacon, hour) do update set slots = excluded.slots`, w.week.From.Add(12*time.Hour), sent)
}

func (w *world) work(want ...string) {
	w.t.Helper()
	w.sent = nil
	if err := errors.Join(w.publisher.Publish(w.t.Context()), w.publisher.Deliver(w.t.Context())); err != nil {
		w.t.Fatal(err)
	}
	var of []string
	for _, sent := range w.sent {
		if strings.Contains(sent, w.when()) {
			of = append(of, strings.ReplaceAll(sent, w.when(), "WEEK"))
		}
	}
	if diff := cmp.Diff(want, of, cmp.Transformer("sorted", func(s []string) map[string]bool {
		set := map[string]bool{}
		for _, one := range s {
			set[one] = true
		}
		return set
	})); diff != "" {
		w.t.Errorf("sent: %s", diff)
	}
}

// when is the week as a subject has it.
func (w *world) when() string { return (&report.Report{Week: w.week.Week}).When() }

func TestEachRevisionIsMailedOnceAndOnlyWhatIsNewMakesOne(t *testing.T) {
	w := newWorld(t)
	w.hour(3)
	w.work("secretary@example.org Little Net: WEEK", "holder@example.org Little Net, site a: WEEK")
	w.work() // nothing is new
	w.hour(5)
	w.work("secretary@example.org Little Net: WEEK (revision 2)", "holder@example.org Little Net, site a: WEEK (revision 2)")
	w.work()
	for id, times := range w.ids {
		if times != 1 {
			t.Errorf("%s was sent %d times", id, times)
		}
	}
	latest, err := w.store.LatestRevision(t.Context(), w.week.Week, "")
	if err != nil || latest.Revision != 2 || !strings.Contains(string(latest.Figures), `"the network: sent 5, was 3"`) {
		t.Errorf("revision %d: %v", latest.Revision, err)
	}
}

func TestAMailThatIsNotTakenIsTriedAgainOrGivenUp(t *testing.T) {
	w := newWorld(t)
	w.hour(3)
	w.refuse = errors.New("come again")
	w.work()
	w.refuse = nil
	w.work() // not due yet
	w.exec("update report_mails set due_at = now()")
	w.work("secretary@example.org Little Net: WEEK", "holder@example.org Little Net, site a: WEEK")
	w.hour(4)
	w.refuse = weekly.Final(errors.New("no such person"))
	w.work()
	w.refuse = nil
	w.exec("update report_mails set due_at = now()")
	w.work()
	w.hour(5)
	w.refuse = errors.New("come again")
	w.work()
	w.exec("update report_mails set due_at = now()")
	w.exec("update report_revisions set made_at = made_at - interval '2 days'")
	w.work()
	w.refuse = nil
	w.exec("update report_mails set due_at = now()")
	w.work()
}

// Two coordinators at once give out one revision, and send each mail once.
func TestSeveralPublishersDoNothingTwice(t *testing.T) {
	w := newWorld(t)
	w.hour(3)
	done := make(chan error)
	letters := make(chan string, 100)
	for range 3 {
		p := weekly.New(weekly.Options{
			Reporter: reporting.Reporter{Store: w.store, Fleets: store.NewFleets(w.store)}, Log: slog.New(slog.DiscardHandler),
			Send: func(_ context.Context, l weekly.Letter) error { letters <- l.MessageID; return nil },
		})
		go func() { done <- errors.Join(p.Publish(t.Context()), p.Deliver(t.Context())) }()
	}
	for range 3 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	close(letters)
	times := map[string]int{}
	for id := range letters {
		if times[id]++; times[id] > 1 {
			t.Errorf("%s was sent twice", id)
		}
	}
	if len(times) < 2 {
		t.Errorf("%d letters", len(times))
	}
}
