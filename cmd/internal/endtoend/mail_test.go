package endtoend

import (
	"io"
	"net"
	"net/mail"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
)

// office is a mail server that says nothing to the first mail that it takes.
type office struct {
	at       string
	released chan struct{}

	mu   sync.Mutex
	took []string // the Message-IDs of what was read to the end, in order
}

func newOffice(t *testing.T) *office {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // closed below
	if err != nil {
		t.Fatal(err)
	}
	o := &office{at: listener.Addr().String(), released: make(chan struct{})}
	server := smtp.NewServer(o)
	ended := make(chan struct{})
	go func() { defer close(ended); _ = server.Serve(listener) }()
	t.Cleanup(func() {
		close(o.released)
		_ = server.Close()
		<-ended
	})
	return o
}

func (o *office) NewSession(*smtp.Conn) (smtp.Session, error) { return o, nil }
func (o *office) Reset()                                      {}
func (o *office) Logout() error                               { return nil }
func (o *office) Mail(string, *smtp.MailOptions) error        { return nil }
func (o *office) Rcpt(string, *smtp.RcptOptions) error        { return nil }

func (o *office) Data(r io.Reader) error {
	letter, err := mail.ReadMessage(r)
	if err == nil {
		_, err = io.Copy(io.Discard, letter.Body)
	}
	if err != nil {
		return err
	}
	o.mu.Lock()
	o.took = append(o.took, letter.Header.Get("Message-Id"))
	first := len(o.took) == 1
	o.mu.Unlock()
	if first {
		<-o.released
	}
	return nil
}

func (o *office) all() []string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]string(nil), o.took...)
}

// The coordinator is killed while a mail server has a message and has not
// answered. The other coordinator brings it again, under the same identity, and
// never again after a clear answer, though that one is killed too.
func TestAMailIsRepeatedOnlyAfterAnUnclearAnswer(t *testing.T) {
	t.Parallel()
	o := newOffice(t)
	w := layWide(t)
	for _, name := range []string{"first", "second"} {
		r := w.add(name)
		write(t, r.dir, "delivery.yaml", "mail: {server: "+o.at+", tls: none, from: beacons@club.example}\n")
		r.start()
	}
	text := fleetText(slotSeconds) + "alerts: {recipients: [{name: ada, mail: ada@club.example}]}\n"
	must(t, lamplighter, "fleet", "apply", "--server", w.grpc, write(t, w.folder, "fleet.yaml", text))
	tell := func(r *replica) {
		must(t, lamplighter, "alerts", "test", "--server", r.grpc, "--recipient", "ada")
	}
	accepted := func(trials int) {
		t.Helper()
		eventually(t, "the trial is accepted", func() bool {
			return w.count("select count(*) from alert_messages where alert is null and state = 'accepted'") == trials
		})
	}

	leader, other := w.leader()
	before := w.epoch()
	tell(other)
	eventually(t, "the mail server has a mail", func() bool { return len(o.all()) > 0 })
	leader.running.kill()
	w.anotherLeads(before)
	w.longAgo()
	accepted(1)

	leader.start()
	before = w.epoch()
	other.running.kill()
	w.anotherLeads(before)
	w.longAgo()
	tell(leader)
	accepted(2)

	took := o.all()
	times := map[string]int{}
	for i, id := range took {
		want := 1
		if id == took[0] {
			want = 2 // to the first nothing was said
		}
		if times[id]++; id == "" || times[id] > want {
			t.Errorf("mail %d of %q is one too many", i, took)
		}
	}
	if times[took[0]] != 2 || w.count("select count(*) from alert_messages where attempts = 2 and unclear = 1") != 1 {
		t.Errorf("the mail without an answer was not repeated: %q", took)
	}
}

// longAgo makes the attempts under way as old as one that nobody follows any
// more, which takes a minute and a half, and those that wait due.
func (w *wide) longAgo() {
	w.t.Helper()
	_, err := w.rows.Exec(w.t.Context(), "update river_job set attempted_at = attempted_at - $1::interval where state = 'running'", 10*time.Minute)
	if err != nil {
		w.t.Fatal(err)
	}
}
