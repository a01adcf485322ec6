package deliver

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
)

const fleetFile = `
network: {name: trial}
sites: [{name: hill, locator: JO62qm, time_zone: Etc/UTC}]
beacons: [{name: hill-a, site: hill, callsign: Q1ABC, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [10m]}]
alerts:
  recipients:
    - {name: ada, mail: ada@club.example}
    - {name: program, webhook: own}
    - {name: chat, service: room}
    - {name: wire, topic: true}
`

// stage is a database with a leader, a queue, and servers to deliver to.
type stage struct {
	t     *testing.T
	store *store.Store
	queue *Queue
	epoch uint64
	sent  chan broker.Message
	exec  func(sql string, args ...any)
}

func (s *stage) Publish(_ context.Context, m broker.Message) error { s.sent <- m; return nil }

func newStage(t *testing.T, settings Settings) *stage {
	t.Helper()
	s := &stage{t: t, store: storetest.New(t), sent: make(chan broker.Message, 10)}
	_, err := s.store.ApplyFleet(t.Context(), store.FleetVersion{Network: "trial", SlotSeconds: 120, File: "f.yaml", YAML: fleetFile, AppliedBy: "test"}, 0)
	if err != nil {
		t.Fatal(err)
	}
	session, err := s.store.Election(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close(t.Context()) //nolint:errcheck // the epoch is taken
	if s.epoch, err = session.TakeLead(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	s.queue, err = New(Options{
		Store: s.store, Fleets: store.NewFleets(s.store), Settings: settings, Publisher: s, Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := s.store.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	s.exec = func(sql string, args ...any) {
		t.Helper()
		if _, err := conn.Exec(context.Background(), sql, args...); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// tell stores a message about an alert, with its job, as the leader does.
func (s *stage) tell(recipient string) int64 {
	s.t.Helper()
	var numbers []int64
	now := time.Now()
	a := &alert.Alert{Key: alert.Key{Code: alert.GPSLost, Site: "hill", Beacon: "hill-a"}, State: alert.Raised, Since: now, Closed: true}
	err := s.store.AsLeader(s.t.Context(), s.epoch, func(ctx context.Context, tx *store.LeaderTx) (err error) {
		a.Number = 0
		if err := tx.SaveAlerts(ctx, []*alert.Alert{a}); err != nil {
			return err
		}
		numbers, err = tx.AddMessages(ctx, []alert.Message{{Alert: a, Recipient: recipient, What: alert.Began, Subject: "hill-a at hill: GPS lock lost", Text: "Look at the antenna.\n"}})
		if err != nil {
			return err
		}
		return s.queue.Add(ctx, tx.Tx, numbers)
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return numbers[0]
}

// message is what became of one.
func (s *stage) message(number int64) store.AlertMessage {
	s.t.Helper()
	list, err := s.store.AlertMessages(s.t.Context(), 100)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, m := range list {
		if m.Message == number {
			return m
		}
	}
	s.t.Fatalf("message %d is gone", number)
	return store.AlertMessage{}
}

// pass moves messages into the past, as if that time had gone by.
func (s *stage) pass(d time.Duration) {
	s.t.Helper()
	s.exec("update alert_messages set made_at = made_at - $1::interval", d)
}

// attempt makes one attempt at a message.
func (s *stage) attempt(ctx context.Context, number int64) time.Duration {
	s.t.Helper()
	again, err := s.queue.attempt(ctx, number)
	if err != nil {
		s.t.Fatal(err)
	}
	return again
}

// carry makes each attempt at a message when it is due, in virtual time, until
// the message has come to its end. between is called with the time that has
// passed; nil: nothing is.
func (s *stage) carry(number int64, between func(gone time.Duration)) store.AlertMessage {
	s.t.Helper()
	for gone := time.Duration(0); ; {
		again := s.attempt(s.t.Context(), number)
		if again == 0 {
			return s.message(number)
		}
		s.pass(again)
		gone += again
		if between != nil {
			between(gone)
		}
	}
}

// run works jobs off, as the coordinator does, until a message has come to its
// end; a wait until the next attempt is taken as over.
func (s *stage) run(number int64) store.AlertMessage {
	s.t.Helper()
	ctx, stop := context.WithCancel(s.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.queue.Run(ctx) }()
	defer func() {
		stop()
		if err := <-ended; !errors.Is(err, context.Canceled) {
			s.t.Error(err)
		}
	}()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	patience := time.After(2 * time.Minute)
	for {
		select {
		case <-patience:
			s.t.Fatalf("message %d has not come to its end: %+v", number, s.message(number))
		case <-look.C:
		}
		if m := s.message(number); m.State != "waiting" {
			return m
		}
		s.exec("update river_job set state = 'available', scheduled_at = now() where state in ('scheduled', 'retryable')")
	}
}

// office is a real mail server. Each mail is dealt with by the next of its
// orders, and accepted when there are none left.
type office struct {
	t        *testing.T
	addr     string
	implicit bool   // TLS from the first byte
	root     string // file with its certificate
	config   *tls.Config
	server   *smtp.Server
	listener net.Listener
	serving  sync.WaitGroup

	mu       sync.Mutex
	orders   []func(text string) error
	seen     []*mail.Message // all that were read to the end
	kept     []*mail.Message // all that were accepted
	calls    int
	released chan struct{} // ends what hangs
}

func (o *office) NewSession(*smtp.Conn) (smtp.Session, error) { return o, nil }
func (o *office) Reset()                                      {}
func (o *office) Logout() error                               { return nil }
func (o *office) Mail(string, *smtp.MailOptions) error        { return nil }
func (o *office) Rcpt(string, *smtp.RcptOptions) error        { return nil }

func (o *office) Data(r io.Reader) error {
	text, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	letter, err := mail.ReadMessage(strings.NewReader(string(text)))
	if err != nil {
		return err
	}
	o.mu.Lock()
	o.calls++
	o.seen = append(o.seen, letter)
	var order func(string) error
	if len(o.orders) > 0 {
		order, o.orders = o.orders[0], o.orders[1:]
	}
	o.mu.Unlock()
	if order != nil {
		if err := order(string(text)); err != nil {
			return err
		}
	}
	o.mu.Lock()
	o.kept = append(o.kept, letter)
	o.mu.Unlock()
	return nil
}

// answers makes an order that ends with a code.
func answers(code int) func(string) error {
	return func(string) error { return &smtp.SMTPError{Code: code, Message: "no"} }
}

// hangs takes the mail and never says so; reached is called then.
func (o *office) hangs(reached func()) func(string) error {
	return func(string) error {
		reached()
		<-o.released
		return nil
	}
}

// newOffice makes a mail server that is up, with TLS.
func newOffice(t *testing.T, orders ...func(string) error) *office {
	t.Helper()
	o := &office{t: t, orders: orders, released: make(chan struct{})}
	o.certify()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o.addr = listener.Addr().String()
	o.open(listener)
	t.Cleanup(func() { close(o.released); o.shut(); o.serving.Wait() })
	return o
}

func (o *office) open(listener net.Listener) {
	o.server = smtp.NewServer(o)
	o.server.TLSConfig, o.server.Domain = o.config, "office.example"
	server := o.server
	o.listener = listener
	if o.implicit {
		listener = tls.NewListener(listener, o.config)
	}
	o.serving.Go(func() { _ = server.Serve(listener) })
}

// reopen is up again where it was.
func (o *office) reopen() {
	listener, err := net.Listen("tcp", o.addr)
	if err != nil {
		o.t.Fatal(err)
	}
	o.open(listener)
}

// shut also ends a server that has not begun to serve.
func (o *office) shut() { _, _ = o.server.Close(), o.listener.Close() }

// certify makes a certificate of its own.
func (o *office) certify() {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		o.t.Fatal(err)
	}
	made := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
	}
	der, err := x509.CreateCertificate(rand.Reader, made, made, &key.PublicKey, key)
	if err != nil {
		o.t.Fatal(err)
	}
	o.config = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, MinVersion: tls.VersionTLS12}
	o.root = filepath.Join(o.t.TempDir(), "office.pem")
	if err := os.WriteFile(o.root, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		o.t.Fatal(err)
	}
}

func (o *office) settings() Settings {
	return Settings{Mail: &Mail{Server: o.addr, Authority: o.root, From: "alerts@club.example"}}
}

// ids are the identities of mails, in order.
func ids(letters []*mail.Message) []string {
	list := make([]string, len(letters))
	for i, l := range letters {
		list[i] = l.Header.Get("Message-ID")
	}
	return list
}
