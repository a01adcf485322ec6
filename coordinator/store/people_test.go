package store_test

import (
	"context"
	"crypto/sha256"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/duty"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

func digest(secret string) []byte { d := sha256.Sum256([]byte(secret)); return d[:] }

func TestTheFirstAccountIsMadeOnce(t *testing.T) {
	s := storetest.New(t)
	password := "x"
	for i, want := range []bool{true, false} {
		added, err := s.AddFirstAccount(t.Context(), store.Account{Name: "admin", Role: people.Admin, Password: &password})
		if err != nil || added != want {
			t.Errorf("time %d: %v, %v", i+1, added, err)
		}
	}
}

// twoPeople is a store with an admin and an operator.
func twoPeople(t *testing.T) (*store.Store, *pgx.Conn) {
	t.Helper()
	url := storetest.URL(t)
	s := storetest.Open(t, url, store.Options{})
	conn := connect(t, url)
	for _, a := range []store.Account{{Name: "ada", Role: people.Admin}, {Name: "bob", Role: people.Operator, Sites: []string{"mill"}}} {
		if err := s.AddAccount(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
	return s, conn
}

func TestTheLastAdminStays(t *testing.T) {
	s, _ := twoPeople(t)
	if err := s.AddAccount(t.Context(), store.Account{Name: "bob", Role: people.Viewer}); fault.Of(err) != fault.Conflict {
		t.Errorf("the same name twice: %v", err)
	}
	if err := s.EndAccount(t.Context(), "ada"); fault.Of(err) != fault.Refused {
		t.Errorf("ending the last admin: %v", err)
	}
	if err := s.ChangeAccount(t.Context(), store.Account{Name: "ada", Role: people.Viewer}); fault.Of(err) != fault.Refused {
		t.Errorf("the last admin to viewer: %v", err)
	}
	if err := s.ChangeAccount(t.Context(), store.Account{Name: "bob", Role: people.Admin}); err != nil {
		t.Error(err)
	}
	if err := s.EndAccount(t.Context(), "ada"); err != nil {
		t.Error(err)
	}
	if err := s.EndAccount(t.Context(), "ada"); fault.Of(err) != fault.NotFound {
		t.Errorf("ending it twice: %v", err)
	}
	if a, err := s.Account(t.Context(), "ada"); err != nil || a != nil {
		t.Errorf("an ended account: %v, %v", a, err)
	}
}

func TestSessionsAndTokensEndWithTheirAccount(t *testing.T) {
	s, _ := twoPeople(t)
	if err := s.AddSession(t.Context(), digest("one"), "bob", "192.0.2.1"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddToken(t.Context(), store.Token{Token: "t1", Person: "bob", Purpose: "scripts", Role: people.Viewer}, digest("two"), time.Hour); err != nil {
		t.Fatal(err)
	}
	owner, err := s.SessionOwner(t.Context(), digest("one"))
	if err != nil || owner == nil || owner.Name != "bob" || owner.Sites[0] != "mill" {
		t.Errorf("session: %+v, %v", owner, err)
	}
	owner, token, err := s.TokenOwner(t.Context(), digest("two"))
	if err != nil || owner == nil || owner.Name != "bob" || token.Role != people.Viewer {
		t.Errorf("token: %+v, %+v, %v", owner, token, err)
	}
	if o, err := s.SessionOwner(t.Context(), digest("two")); err != nil || o != nil {
		t.Errorf("a token opened a session: %v, %v", o, err)
	}
	if err := s.EndAccount(t.Context(), "bob"); err != nil {
		t.Fatal(err)
	}
	if o, err := s.SessionOwner(t.Context(), digest("one")); err != nil || o != nil {
		t.Errorf("the session goes on: %v, %v", o, err)
	}
	if o, _, err := s.TokenOwner(t.Context(), digest("two")); err != nil || o != nil {
		t.Errorf("the token goes on: %v, %v", o, err)
	}
}

func TestSessionsAndTokensEnd(t *testing.T) {
	s, conn := twoPeople(t)
	for _, c := range []struct {
		name, after string
		want        bool
	}{
		{"unused for 119 minutes", "used_at = now() - interval '119 minutes'", true},
		{"unused for two hours", "used_at = now() - interval '120 minutes'", false},
		{"used all the time for twelve hours", "expires_at = now()", false},
	} {
		execute(t, conn, "delete from sessions")
		if err := s.AddSession(t.Context(), digest("one"), "ada", ""); err != nil {
			t.Fatal(err)
		}
		execute(t, conn, "update sessions set "+c.after)
		if o, err := s.SessionOwner(t.Context(), digest("one")); err != nil || (o != nil) != c.want {
			t.Errorf("%s: %v, %v", c.name, o, err)
		}
	}
	if _, err := s.AddToken(t.Context(), store.Token{Token: "t1", Person: "bob", Purpose: "x", Role: people.Viewer}, digest("two"), time.Hour); err != nil {
		t.Fatal(err)
	}
	execute(t, conn, "update tokens set expires_at = now()")
	if o, _, err := s.TokenOwner(t.Context(), digest("two")); err != nil || o != nil {
		t.Errorf("a token at its end: %v, %v", o, err)
	}
	var between time.Duration
	for i := range 30 {
		if err := s.AddSession(t.Context(), digest(strings.Repeat("x", i)), "ada", ""); err != nil {
			t.Fatal(err)
		}
	}
	var count int
	if err := conn.QueryRow(t.Context(), "select count(*), max(expires_at - created_at) from sessions").Scan(&count, &between); err != nil || count != 20 || between != 12*time.Hour {
		t.Errorf("%d sessions of one person for %v, %v", count, between, err)
	}
}

// Many tries at once are counted as well as one after the other: of 40 on one
// name, eleven are let in.
func TestTriesToLogInAreCountedAtOnce(t *testing.T) {
	s, conn := twoPeople(t)
	execute(t, conn, "create function later() returns trigger language plpgsql as $$ begin if new.failures > 10 and new.subject like 'name %' then new.last_at = new.last_at + interval '1 hour'; end if; return new; end $$")
	execute(t, conn, "create trigger later before insert or update on login_failures for each row execute function later()") // the wait is an hour longer: however slow this machine is
	var let, waits int
	var mu sync.Mutex
	var tries sync.WaitGroup
	for range 40 {
		tries.Go(func() {
			wait, err := s.TryLogin(t.Context(), "ada", "192.0.2.1")
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err != nil:
				t.Error(err)
			case wait > 0:
				waits++
			default:
				let++
			}
		})
	}
	tries.Wait()
	if let != 11 || waits != 29 {
		t.Errorf("%d were let in, %d waited", let, waits)
	}
	if wait, err := s.TryLogin(t.Context(), "bob", "192.0.2.2"); err != nil || wait > 0 {
		t.Errorf("somebody else elsewhere waits %v, %v", wait, err)
	}
	if err := s.LoginSucceeded(t.Context(), "ada", "192.0.2.1"); err != nil {
		t.Fatal(err)
	}
	if wait, err := s.TryLogin(t.Context(), "ada", "192.0.2.3"); err != nil || wait > 0 {
		t.Errorf("after a success the name waits %v, %v", wait, err)
	}
}

func TestTheTrailIsOnlyAddedTo(t *testing.T) {
	s, conn := twoPeople(t)
	var adding sync.WaitGroup
	for i := range 8 {
		adding.Go(func() {
			for range 5 {
				e := trail.Entry{Person: "ada", Action: "hush", Outcome: trail.Done, Details: strings.Repeat("x", i)}
				if _, err := s.AddToTrail(t.Context(), e); err != nil {
					t.Error(err)
				}
			}
		})
	}
	adding.Wait()
	check := func() (trail.Checker, trail.Reason) {
		t.Helper()
		var c trail.Checker
		var reason trail.Reason
		if err := s.WalkTrail(t.Context(), func(e trail.Entry) bool { reason = c.Next(e); return reason != trail.Whole }); err != nil {
			t.Fatal(err)
		}
		return c, reason
	}
	if c, reason := check(); reason != trail.Whole || c.Count != 40 {
		t.Errorf("%d entries, %q", c.Count, reason)
	}
	for _, sql := range []string{"update trail set person = 'bob'", "delete from trail", "truncate trail"} {
		if _, err := conn.Exec(t.Context(), sql); err == nil {
			t.Errorf("%s: done", sql)
		}
	}
	// Somebody who owns the database can take the guard away. The chain tells.
	execute(t, conn, "alter table trail disable trigger user")
	execute(t, conn, "update trail set person = 'bob' where number = 17")
	if c, reason := check(); reason != trail.Changed || c.Count != 16 {
		t.Errorf("a changed entry: %d, %q", c.Count, reason)
	}
	execute(t, conn, "delete from trail where number = 17")
	if _, reason := check(); reason != trail.Gap {
		t.Errorf("a missing entry: %q", reason)
	}
}

func TestTheTrailIsSearched(t *testing.T) {
	s := storetest.New(t)
	for _, e := range []trail.Entry{
		{Person: "ada", Action: "/x/Hush", Site: "mill", Outcome: trail.Done, Details: `{"reason":"mast work"}`},
		{Person: "bob", Action: "/x/Release", Site: "mill", Outcome: trail.Refused, Details: "{}"},
		{Person: "ada", Action: "/x/ApplyFleet", Outcome: trail.Failed, Details: "{}"},
	} {
		if _, err := s.AddToTrail(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		search store.TrailSearch
		want   []int64
	}{
		"all":        {store.TrailSearch{}, []int64{3, 2, 1}},
		"a person":   {store.TrailSearch{Person: "ada"}, []int64{3, 1}},
		"an action":  {store.TrailSearch{Action: "release"}, []int64{2}},
		"a site":     {store.TrailSearch{Site: "mill"}, []int64{2, 1}},
		"an outcome": {store.TrailSearch{Outcome: "refused"}, []int64{2}},
		"words":      {store.TrailSearch{Text: "mast"}, []int64{1}},
		"no joker":   {store.TrailSearch{Text: "%"}, nil},
		"before":     {store.TrailSearch{Before: 3}, []int64{2, 1}},
		"the future": {store.TrailSearch{Since: time.Now().Add(time.Hour)}, nil},
		"the past":   {store.TrailSearch{Until: time.Now().Add(-time.Hour)}, nil},
	} {
		c.search.Most = 10
		found, err := s.Trail(t.Context(), c.search)
		var got []int64
		for _, e := range found {
			got = append(got, e.Number)
		}
		if err != nil || len(got) != len(c.want) || len(got) > 0 && got[0] != c.want[0] {
			t.Errorf("%s: %v, %v; want %v", name, got, err, c.want)
		}
	}
}

// What SQL says of who is in control is what package duty says.
func TestTheDatabaseAgreesWithDutyOnWhoIsInControl(t *testing.T) {
	s, conn := twoPeople(t)
	for name, set := range map[string]string{
		"just-started":  "started_at = now()",
		"not-confirmed": "started_at = now() - interval '5 h', confirmed_at = now() - interval '4 h'",
		"confirmed":     "started_at = now() - interval '5 h', confirmed_at = now() - interval '239 min'",
		"over":          "started_at = now() - interval '5 h', until_at = now()",
		"ended":         "started_at = now() - interval '5 h', ended_at = now()",
		"to-end-later":  "ended_at = now() + interval '1 h'",
		"to-begin":      "started_at = now() + interval '1 h'",
	} {
		execute(t, conn, "truncate duty_periods")
		execute(t, conn, "insert into duty_periods (site, person, contact, started_at, confirmed_at, until_at) values ($1, 'ada', '', now() - interval '1 min', now() - interval '1 min', now() + interval '6 h')", name)
		execute(t, conn, "update duty_periods set "+set)
		var there, want bool
		err := s.ChangeDuty(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			stored, err := tx.LatestPeriod(ctx, name)
			if err != nil {
				return err
			}
			present, err := tx.InControl(ctx, name)
			there, want = present.Site == name, stored.At(tx.Now)
			return err
		})
		if err != nil || there != want {
			t.Errorf("%s: in control %v, and package duty says %v; %v", name, there, want, err)
		}
	}
	if duty.Confirm != 4*time.Hour {
		t.Error("the statements of this package say four hours")
	}
}

// The record of a transmission says who was in control when its slot began.
func TestATransmissionNamesWhoWasInControl(t *testing.T) {
	s, conn := twoPeople(t)
	start := day.Add(12 * time.Hour)
	for _, p := range []struct {
		person     string
		from, last time.Duration
	}{{"ada", -2 * time.Hour, -time.Minute}, {"bob", -time.Minute, 2 * time.Hour}} {
		execute(t, conn, "insert into duty_periods (site, person, contact, started_at, confirmed_at, until_at) values ('mill', $1, '', $2, $2, $3)", p.person, start.Add(p.from), start.Add(p.last))
	}
	want := map[string]string{"mill": "bob", "hilltop": "", "": ""}
	seq := 0
	for site := range want {
		seq++
		r := record("beacon-"+site, 1, 1, site)
		r.Kind, r.Outcome = "outcome", &store.Outcome{Slot: 1, StartAt: &start, Band: "40m", Kind: "sent", MessageKind: "full", Control: "remote", Site: site}
		storeReports(t, s, store.Reports{Records: []store.Record{r}})
	}
	outcomes, err := s.Outcomes(t.Context(), start, start.Add(time.Second))
	if err != nil || len(outcomes) != seq {
		t.Fatalf("%d outcomes, %v", len(outcomes), err)
	}
	for _, o := range outcomes {
		got := ""
		if o.Operator != nil {
			got = *o.Operator
		}
		if site := strings.TrimPrefix(o.Beacon, "beacon-"); got != want[site] {
			t.Errorf("at %q: %q", site, got)
		}
	}
}
