package endtoend

import (
	"fmt"
	"io"
	"net"
	"net/mail"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/setup"
)

// alarmed is a network of eight beacons with somebody who hears of alerts.
func alarmed() string {
	text := `
network: {name: Trial Valley, id: trial}
alerts: {recipients: [{name: ada, mail: ada@club.example}]}
sites:
`
	more := "beacons:\n"
	for i := range 8 {
		if i%2 == 0 {
			text += fmt.Sprintf("  - {name: site-%d, locator: IP6%doa}\n", i/2, i/2)
		}
		limits := ""
		if i == 2 && backSeconds != 300 {
			limits = fmt.Sprintf(", alert_limits: {gps_back_seconds: %d}", backSeconds)
		}
		more += fmt.Sprintf("  - {name: b-%d, callsign: Q1AA%c, site: site-%d, control: automatic, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.05, licence: {max_power_dbm: 30}, bands: [40m, 20m]%s}\n",
			i, 'A'+i, i/2, limits)
	}
	return text + more
}

// One of eight beacons loses its GPS antenna, and gets it back: the real daemon
// of receivers, the real agent and coordinator, a real mail server. There is one
// mail within 120 s, with all that somebody needs to know, and one more when lock
// has been back for long enough. In between the coordinator is killed.
//
// It takes as long as it takes to be told: 60 s without lock, by the promise.
func TestAnUnpluggedAntennaIsOneMailAndOneMoreWhenItIsBack(t *testing.T) {
	t.Parallel()
	box := newLetterbox(t)
	n := bareNetwork(t)
	dir := filepath.Join(n.folder, "coordinator")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	write(t, dir, "delivery.yaml", "mail: {server: '"+box.addr+"', tls: none, from: alerts@club.example}\n")
	n.startCoordinator()
	must(t, lamplighter, "fleet", "apply", "--server", n.grpc, write(t, n.folder, "fleet.yaml", alarmed()))
	vouching := timeDaemon(t)
	var gps *receiver
	for i := range 8 {
		beacon := fmt.Sprintf("b-%d", i)
		n.configure(beacon)
		if i == 2 {
			gps = newReceiver(t)
			n.listenTo(beacon, setup.Clock{Source: "gpsd", GPSD: gps.daemon, Witness: "chrony", Chrony: vouching})
		}
		n.startAgent(beacon)
	}
	eventually(t, "eight beacons with lock and a known time", func() bool {
		return n.count("select count(*) from beacon_status where lock = 'locked' and clock_error_bound_ns is not null") == 8
	})

	gps.plugged.Store(false)
	began := n.told("began")
	lost := n.lockSince("b-2")
	if took := began.acceptedAt.Sub(lost); took < 60*time.Second || took > 120*time.Second {
		t.Errorf("lock was lost at %s, and the mail accepted %s later; promised are 60 to 120 s", lost, took)
	} else {
		t.Logf("the mail was accepted %s after lock was lost", took.Round(time.Millisecond))
	}
	first := box.letter(0)
	for _, words := range []string{
		`^Subject: b-2 at site-1: GPS lock lost\n`, `since ` + regexp.QuoteMeta(lost.UTC().Format("2006-01-02 15:04:05 UTC")),
		`it falls silent in \d+ (h|min|s)\b.*, at 20\d\d-`, `What to do: Look at the GPS antenna`,
	} {
		if !regexp.MustCompile(words).MatchString(first) {
			t.Errorf("the mail does not say %s:\n%s", words, first)
		}
	}

	n.coordinator.kill()
	n.startCoordinator()
	eventually(t, "all eight beacons heard again", func() bool {
		return n.count("select count(*) from beacon_status where last_seen > now() - interval '10 seconds'") == 8
	})
	gps.plugged.Store(true)
	over := n.told("over")
	back := n.lockSince("b-2")
	if took := over.acceptedAt.Sub(back); took < backSeconds*time.Second {
		t.Errorf("it was told to be over after %s of lock, and %d s are due", took, backSeconds)
	} else {
		t.Logf("that it is over was accepted after %s of lock", took.Round(time.Millisecond))
	}
	if second := box.letter(1); !strings.HasPrefix(second, "Subject: b-2 at site-1: over: GPS lock lost\n") {
		t.Errorf("the second mail:\n%s", second)
	}
	if mails, messages := box.count(), n.count("select count(*) from alert_messages"); mails != 2 || messages != 2 {
		t.Errorf("%d mails came, and %d messages were made; want 2", mails, messages)
	}
}

// listenTo lets an agent have its time from elsewhere than its own simulation.
func (n *network) listenTo(beacon string, clock setup.Clock) {
	n.t.Helper()
	text, err := os.ReadFile(n.config(beacon))
	if err != nil {
		n.t.Fatal(err)
	}
	file, err := setup.Decode(beacon, text)
	if err != nil {
		n.t.Fatal(err)
	}
	file.Clock = clock
	if text, err = file.Encode(); err != nil {
		n.t.Fatal(err)
	}
	write(n.t, n.folder, beacon+".yaml", string(text))
}

// toldOf is a message that was accepted, by the coordinator's own clock.
type toldOf struct{ acceptedAt time.Time }

// told waits until a message of an event was accepted.
func (n *network) told(event string) (m toldOf) {
	n.t.Helper()
	eventuallyWithin(n.t, patience+backSeconds*time.Second, "a message that it "+event, func() bool {
		return n.count("select count(*) from alert_messages where event = $1 and state = 'accepted'", event) > 0
	})
	if err := n.rows.QueryRow(n.t.Context(), "select ended_at from alert_messages where event = $1", event).Scan(&m.acceptedAt); err != nil {
		n.t.Fatal(err)
	}
	return m
}

// lockSince is since when a beacon says that its lock is as it is.
func (n *network) lockSince(beacon string) time.Time {
	n.t.Helper()
	var text []byte
	if err := n.rows.QueryRow(n.t.Context(), "select health from beacon_status where beacon = $1", beacon).Scan(&text); err != nil {
		n.t.Fatal(err)
	}
	var health wirev1.Health
	if err := proto.Unmarshal(text, &health); err != nil || health.LockSinceUnixMs == nil {
		n.t.Fatalf("%s says nothing of its lock: %v %v", beacon, &health, err)
	}
	return time.UnixMilli(health.GetLockSinceUnixMs())
}

// letterbox is a real mail server that takes everything.
type letterbox struct {
	t    *testing.T
	addr string
	mu   sync.Mutex
	kept []string // subject and text
}

func newLetterbox(t *testing.T) *letterbox {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // closed with its server
	if err != nil {
		t.Fatal(err)
	}
	box := &letterbox{t: t, addr: listener.Addr().String()}
	server := smtp.NewServer(box)
	server.Domain = "office.example"
	var serving sync.WaitGroup
	serving.Go(func() { _ = server.Serve(listener) })
	t.Cleanup(func() { _, _ = server.Close(), listener.Close(); serving.Wait() })
	return box
}

// The parts of a session that need no decision.
func (b *letterbox) NewSession(*smtp.Conn) (smtp.Session, error) { return b, nil }
func (b *letterbox) Reset()                                      {}
func (b *letterbox) Logout() error                               { return nil }
func (b *letterbox) Mail(string, *smtp.MailOptions) error        { return nil }
func (b *letterbox) Rcpt(string, *smtp.RcptOptions) error        { return nil }

// Data takes a mail.
func (b *letterbox) Data(r io.Reader) error {
	m, err := mail.ReadMessage(r)
	if err != nil {
		return err
	}
	text, err := io.ReadAll(m.Body)
	if err != nil {
		return err
	}
	// A soft line break of quoted-printable (RFC 2045, 6.7) would hide words.
	body := strings.NewReplacer("=\r\n", "", "\r\n", "\n").Replace(string(text))
	b.mu.Lock()
	defer b.mu.Unlock()
	b.kept = append(b.kept, "Subject: "+m.Header.Get("Subject")+"\n"+body)
	return nil
}

func (b *letterbox) count() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.kept)
}

func (b *letterbox) letter(i int) string {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	if i >= len(b.kept) {
		b.t.Fatalf("%d mails came", len(b.kept))
	}
	return b.kept[i]
}
