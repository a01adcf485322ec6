package deliver

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"
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
