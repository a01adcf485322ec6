package deliver

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/store"
)

func TestMailIsAcceptedOnceAfterAFirstTryThatFailed(t *testing.T) {
	o := newOffice(t, answers(451))
	s := newStage(t, o.settings())
	m := s.carry(s.tell("ada"), nil)
	if m.State != "accepted" || m.Attempts != 2 || m.Unclear != 0 || len(o.kept) != 1 {
		t.Fatalf("%+v, %d mails kept", m, len(o.kept))
	}
	h := o.kept[0].Header
	if h.Get("Subject") != "hill-a at hill: GPS lock lost" || h.Get("To") != "<ada@club.example>" || !strings.Contains(h.Get("References"), "alert-") {
		t.Errorf("the mail's head is %v", h)
	}
}

// The server has the mail and says nothing: it may come twice, and then both
// have the same identity.
func TestARepetitionAfterAnUnclearAnswerHasTheSameIdentity(t *testing.T) {
	o := newOffice(t)
	s := newStage(t, o.settings())
	trying, givenUp := context.WithCancel(t.Context())
	o.orders = []func(string) error{o.hangs(givenUp)}
	number := s.tell("ada")
	if again := s.attempt(trying, number); again != firstWait {
		t.Errorf("tried again after %s", again)
	}
	if m := s.message(number); m.State != "waiting" || m.Unclear != 1 {
		t.Errorf("%+v", m)
	}
	m := s.carry(number, nil)
	if m.State != "accepted" || m.Unclear != 1 {
		t.Fatalf("%+v", m)
	}
	if got := ids(o.seen); len(got) != 2 || got[0] != got[1] || got[0] == "" {
		t.Errorf("identities %v", got)
	}
}

func TestAClearRefusalIsNotRepeated(t *testing.T) {
	o := newOffice(t, answers(554))
	s := newStage(t, o.settings())
	number := s.tell("ada")
	m := s.carry(number, nil)
	if m.State != "undelivered" || m.Attempts != 1 || !strings.Contains(m.Answer, "554") {
		t.Fatalf("%+v", m)
	}
	if again := s.attempt(t.Context(), number); again != 0 || o.calls != 1 {
		t.Errorf("tried again: %v, %d calls", again, o.calls)
	}
	undelivered, err := s.store.Undelivered(t.Context())
	if err != nil || len(undelivered) != 1 {
		t.Errorf("the front page has %v %v", undelivered, err)
	}
}

// Two days in virtual time: each attempt is made when it is due.
func TestAServerThatIsDown(t *testing.T) {
	o := newOffice(t)
	s := newStage(t, o.settings())
	for _, c := range []struct {
		name  string
		down  time.Duration
		state string
		kept  int
	}{
		{"for two days", 48 * time.Hour, "undelivered", 0},
		{"for three hours", 3 * time.Hour, "accepted", 1},
	} {
		o.shut()
		up := false
		m := s.carry(s.tell("ada"), func(gone time.Duration) {
			if gone > c.down && !up {
				up = true
				o.reopen()
			}
		})
		if m.State != c.state || len(o.kept) != c.kept || m.Unclear != 0 || up != (c.state == "accepted") {
			t.Errorf("%s: %+v, %d mails kept, up again: %v", c.name, m, len(o.kept), up)
		}
		t.Logf("%s: %d attempts", c.name, m.Attempts)
	}
}

func TestMailOverTLSFromTheFirstByte(t *testing.T) {
	o := newOffice(t)
	o.shut()
	o.implicit = true
	o.reopen()
	settings := o.settings()
	settings.Mail.TLS = "implicit"
	s := newStage(t, settings)
	number := s.tell("ada")
	if again := s.attempt(t.Context(), number); again != 0 || len(o.kept) != 1 {
		t.Errorf("again after %v: %+v", again, s.message(number))
	}
}

func TestMailGoesToNobodyWhoCanNotShowTheirCertificate(t *testing.T) {
	o := newOffice(t)
	settings := o.settings()
	settings.Mail.Authority = newOffice(t).root
	s := newStage(t, settings)
	if again := s.attempt(t.Context(), s.tell("ada")); again == 0 || o.calls != 0 {
		t.Errorf("again after %v; %d calls", again, o.calls)
	}
}

// The coordinator stops while a server hangs, and another one goes on: the real
// queue of jobs.
func TestARestartInTheMiddle(t *testing.T) {
	o := newOffice(t)
	reached := make(chan struct{})
	o.orders = []func(string) error{o.hangs(func() { close(reached) })}
	s := newStage(t, o.settings())
	number := s.tell("ada")
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.queue.Run(ctx) }()
	<-reached
	stop()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	m := s.run(number)
	if got := ids(o.seen); m.State != "accepted" || m.Unclear != 1 || len(got) != 2 || got[0] != got[1] {
		t.Errorf("%+v, identities %v", m, got)
	}
}

// Who is asked to take duty gets mail at the address in their account, or as a
// recipient of their name does; who has neither stands as undelivered.
func TestWhoIsAskedToTakeDutyGetsMail(t *testing.T) {
	o := newOffice(t)
	s := newStage(t, o.settings())
	for name, contact := range map[string]string{"bea": "555 0100, bea@school.example", "carl": "knock at the door", "ada": "ada@elsewhere.example"} {
		if err := s.store.AddAccount(t.Context(), store.Account{Name: name, Role: people.Operator, Sites: []string{"hill"}, Contact: contact}); err != nil {
			t.Fatal(err)
		}
	}
	ask := func(person string) store.AlertMessage {
		t.Helper()
		var number int64
		err := s.store.InTx(t.Context(), func(ctx context.Context, tx *store.Tx) (err error) {
			if number, err = tx.AddNotice(ctx, alert.Message{Recipient: person, What: alert.OnDuty, Subject: "please take duty at hill", Text: "now\n"}); err != nil {
				return err
			}
			return s.queue.Add(ctx, tx, []int64{number})
		})
		if err != nil {
			t.Fatal(err)
		}
		return s.carry(number, nil)
	}
	for person, to := range map[string]string{"bea": "<bea@school.example>", "ada": "<ada@club.example>"} {
		if m := ask(person); m.State != "accepted" {
			t.Fatalf("%s: %+v", person, m)
		}
		if got := o.kept[len(o.kept)-1].Header.Get("To"); got != to {
			t.Errorf("%s is asked at %s, want %s", person, got, to)
		}
	}
	for _, person := range []string{"carl", "nobody"} {
		if m := ask(person); m.State != "undelivered" || !strings.Contains(m.Answer, "mail address") {
			t.Errorf("%s: %+v", person, m)
		}
	}
}
