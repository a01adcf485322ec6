package registrar

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	"lamplighter/coordinator/vault"
	"lamplighter/proto/enrolment"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// desk is a coordinator's registrar, and where devices ask.
type desk struct {
	*Registrar
	t      *testing.T
	store  *store.Store
	folder string // of the vault
	at     string // HOST:PORT
	log    *text
}

type text struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (x *text) Write(b []byte) (int, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.b.Write(b)
}

func (x *text) String() string {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.b.String()
}

func openDesk(t *testing.T, s *store.Store, folder string) *desk {
	t.Helper()
	v, err := vault.Load(folder)
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, store: s, folder: folder, log: &text{}}
	d.Registrar, err = New(t.Context(), Options{
		Store: s, Vault: v, Log: slog.New(slog.NewTextHandler(d.log, nil)), Metrics: prometheus.NewRegistry(),
		Config: func(_ context.Context, beacon string) (string, error) { return "beacon: " + beacon, nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	d.SetNetwork("tern")
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	d.Handle(mux)
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, ErrorLog: slog.NewLogLogger(slog.DiscardHandler, 0)}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(tls.NewListener(listener, d.EnrolmentTLS())) }()
	t.Cleanup(func() {
		_ = server.Close()
		if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
			t.Error(err)
		}
	})
	d.at = listener.Addr().String()
	return d
}

// post asks as a device with this certificate does; nil: none.
func (d *desk) post(path string, body []byte, own *tls.Certificate) (int, []byte) {
	d.t.Helper()
	return d.ask(http.MethodPost, path, body, own)
}

func (d *desk) ask(method, path string, body []byte, own *tls.Certificate) (int, []byte) {
	d.t.Helper()
	config := &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: x509.NewCertPool(), ServerName: enrolment.ServerName}
	for _, der := range d.Authorities() {
		a, err := x509.ParseCertificate(der)
		if err != nil {
			d.t.Fatal(err)
		}
		config.RootCAs.AddCert(a)
	}
	if own != nil {
		config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return own, nil }
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: config, DisableKeepAlives: true}}
	request, err := http.NewRequestWithContext(d.t.Context(), method, "https://"+d.at+path, bytes.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	answer, err := client.Do(request)
	if err != nil {
		d.t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	said, err := io.ReadAll(answer.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return answer.StatusCode, said
}

func newKey(t *testing.T) (*ecdsa.PrivateKey, []byte) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	request, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
	if err != nil {
		t.Fatal(err)
	}
	return key, request
}

func marshal(t *testing.T, m proto.Message) []byte {
	t.Helper()
	b, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// enrol enrols a new device with a token.
func (d *desk) enrolDevice(token enrolment.Token) (*tls.Certificate, int, string) {
	d.t.Helper()
	key, request := newKey(d.t)
	code, said := d.post(enrolment.EnrolPath, marshal(d.t, &wirev1.Enrol{Secret: token.Secret(), Request: request}), nil)
	if code != http.StatusOK {
		return nil, code, string(said)
	}
	given := &wirev1.Enrolled{}
	if err := proto.Unmarshal(said, given); err != nil {
		d.t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(given.GetCertificate())
	if err != nil {
		d.t.Fatal(err)
	}
	return &tls.Certificate{Certificate: [][]byte{leaf.Raw}, PrivateKey: key, Leaf: leaf}, code, given.GetConfiguration()
}

func (d *desk) permit(beacon string, replace bool) enrolment.Token {
	d.t.Helper()
	token, expires, err := d.Permit(d.t.Context(), beacon, replace, "admin")
	if err != nil {
		d.t.Fatal(err)
	}
	if life := time.Until(expires); life > 24*time.Hour || life < 23*time.Hour {
		d.t.Errorf("a token counts for %s", life)
	}
	return token
}

// sql runs a statement as somebody at the database would.
func (d *desk) sql(statement string, args ...any) {
	d.t.Helper()
	err := d.store.InTx(d.t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, statement, args...)
		return err
	})
	if err != nil {
		d.t.Fatal(err)
	}
}

func (d *desk) kinds() map[string]int {
	d.t.Helper()
	events, err := d.store.DeviceEvents(d.t.Context(), 1000)
	if err != nil {
		d.t.Fatal(err)
	}
	count := map[string]int{}
	for _, e := range events {
		count[e.Kind]++
	}
	return count
}

func TestATokenCountsOnceAndForADay(t *testing.T) {
	d := openDesk(t, storetest.New(t), t.TempDir())
	token := d.permit("mill-hf", false)
	device, code, said := d.enrolDevice(token)
	if code != http.StatusOK || said != "beacon: mill-hf" {
		t.Fatalf("%d %s", code, said)
	}
	if beacon, reason := d.Admit(device.Leaf); beacon != "mill-hf" || reason != devices.Accepted {
		t.Errorf("it may speak as %q: %q", beacon, reason)
	}
	if _, code, _ := d.enrolDevice(token); code != http.StatusForbidden {
		t.Errorf("a token was taken twice: %d", code)
	}
	if _, _, err := d.Permit(t.Context(), "mill-hf", false, "admin"); err == nil || !strings.Contains(err.Error(), "--replace") {
		t.Errorf("a second device without leave: %v", err)
	}
	late := d.permit("harbour-hf", false)
	d.sql("update enrolment_permits set expires_at = now() where used_at is null")
	if _, code, _ := d.enrolDevice(late); code != http.StatusForbidden {
		t.Errorf("a token that is over was taken: %d", code)
	}
	first, second := d.permit("harbour-hf", false), d.permit("harbour-hf", false)
	if _, code, _ := d.enrolDevice(first); code != http.StatusForbidden {
		t.Error("a token was taken though a later one was given")
	}
	if _, code, _ := d.enrolDevice(second); code != http.StatusOK {
		t.Error("the later token was not taken")
	}
	for name, token := range map[string]enrolment.Token{"used": token, "over": late, "replaced": first, "good": second} {
		if strings.Contains(d.log.String(), token.Words()) || strings.Contains(d.log.String(), string(token.Secret())) {
			t.Errorf("the %s token stands in the log", name)
		}
	}
	if n := d.kinds(); n["enrolment_refused"] != 1 || n["enrolled"] != 2 {
		t.Errorf("noted: %v; a flood of refusals counts once", n)
	}
	var counted dto.Metric
	if err := d.events.WithLabelValues(string(EnrolmentRefused)).Write(&counted); err != nil || counted.GetCounter().GetValue() != 1 {
		t.Errorf("%v refusals are counted, %v", counted.GetCounter().GetValue(), err)
	}
}

// What a device would be given now is given to the beacon's own device alone.
func TestTheConfigurationIsForTheOwnDeviceAlone(t *testing.T) {
	d := openDesk(t, storetest.New(t), t.TempDir())
	device, _, _ := d.enrolDevice(d.permit("mill-hf", false))
	if code, said := d.ask(http.MethodGet, enrolment.ConfigurationPath, nil, device); code != http.StatusOK || string(said) != "beacon: mill-hf" {
		t.Errorf("its own: %d %s", code, said)
	}
	if code, said := d.ask(http.MethodGet, enrolment.ConfigurationPath, nil, nil); code != http.StatusForbidden {
		t.Errorf("nobody's: %d %s", code, said)
	}
	key, _ := newKey(t)
	over := d.old("harbour-hf", key, time.Now().Add(-devices.DeviceLife-24*time.Hour))
	if code, said := d.ask(http.MethodGet, enrolment.ConfigurationPath, nil, over); code != http.StatusForbidden {
		t.Errorf("one that is over: %d %s", code, said)
	}
	if err := d.Revoke(t.Context(), "mill-hf", "admin", "stolen"); err != nil {
		t.Fatal(err)
	}
	if code, said := d.ask(http.MethodGet, enrolment.ConfigurationPath, nil, device); code != http.StatusForbidden {
		t.Errorf("a revoked one: %d %s", code, said)
	}
}

// An event that could not be kept, because the database was away, is kept when it
// happens again.
func TestAnEventThatWasNotKeptIsKeptTheNextTime(t *testing.T) {
	d := openDesk(t, storetest.New(t), t.TempDir())
	away, cancel := context.WithCancel(t.Context())
	cancel()
	d.Cloned(away, "mill-hf", "another device speaks as mill-hf")
	if n := d.kinds(); n["cloned"] != 0 {
		t.Fatalf("noted: %v", n)
	}
	d.quietFor(noted{DeviceCloned, "mill-hf"}, 0) // the pause is over
	d.Cloned(t.Context(), "mill-hf", "another device speaks as mill-hf")
	d.Cloned(t.Context(), "mill-hf", "another device speaks as mill-hf")
	if n := d.kinds(); n["cloned"] != 1 {
		t.Errorf("noted: %v", n)
	}
	d.noting.Lock()
	defer d.noting.Unlock()
	if left := time.Until(d.noted[noted{DeviceCloned, "mill-hf"}]); left <= tryAgain {
		t.Errorf("what was kept is said again in %s", left)
	}
}

func TestTwoDevicesWithOneTokenAtOnce(t *testing.T) {
	d := openDesk(t, storetest.New(t), t.TempDir())
	token := d.permit("mill-hf", false)
	var in sync.WaitGroup
	var mu sync.Mutex
	enrolled := 0
	for range 8 {
		in.Go(func() {
			if _, code, _ := d.enrolDevice(token); code == http.StatusOK {
				mu.Lock()
				enrolled++
				mu.Unlock()
			}
		})
	}
	in.Wait()
	if enrolled != 1 {
		t.Errorf("%d devices came in with one token", enrolled)
	}
}

func TestARevokedKeyIsRefusedForEverAndEverywhere(t *testing.T) {
	s, folder := storetest.New(t), t.TempDir()
	here, there := openDesk(t, s, folder), openDesk(t, s, folder)
	device, _, _ := here.enrolDevice(here.permit("mill-hf", false))
	if _, reason := there.Admit(device.Leaf); reason != devices.Accepted {
		t.Fatalf("another coordinator does not know a new device: %q", reason)
	}
	told := make(chan struct{}, 10)
	ctx, end := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { there.Run(ctx) })
	there.OnChange(func() { told <- struct{}{} }) // as a broker that starts with the first fleet file
	defer running.Wait()
	defer end()
	if err := here.Revoke(t.Context(), "mill-hf", "admin", "stolen"); err != nil {
		t.Fatal(err)
	}
	if _, reason := here.Admit(device.Leaf); reason != devices.Revoked {
		t.Errorf("where it was revoked: %q", reason)
	}
	select {
	case <-told: // whoever has its connection open ends it now
	case <-time.After(60 * time.Second): // promise E2
		t.Fatal("another coordinator was not told within 60 s")
	}
	if _, reason := there.Admit(device.Leaf); reason != devices.Revoked {
		t.Errorf("elsewhere: %q", reason)
	}
	request, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, device.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	if code, said := here.post(enrolment.RenewPath, marshal(t, &wirev1.Renew{Request: request}), device); code != http.StatusForbidden || !strings.Contains(string(said), "revoked") {
		t.Errorf("it was renewed: %d %s", code, said)
	}
	if err := here.Readmit(t.Context(), "mill-hf", "admin"); err == nil {
		t.Error("a revoked device was let in again")
	}
	// Not even a new token makes a revoked key good.
	token := here.permit("mill-hf", false)
	if code, said := here.post(enrolment.EnrolPath, marshal(t, &wirev1.Enrol{Secret: token.Secret(), Request: request}), nil); code != http.StatusForbidden {
		t.Errorf("the revoked key was enrolled again: %d %s", code, said)
	}
	here.Refused(device.Leaf, devices.Revoked, "192.0.2.1:1")
	here.Refused(device.Leaf, devices.Revoked, "192.0.2.1:2")
	if n := here.kinds(); n["revoked_knocks"] != 1 {
		t.Errorf("noted: %v", n)
	}
}

func TestACertificateThatIsOverNeedsAnOperator(t *testing.T) {
	d := openDesk(t, storetest.New(t), t.TempDir())
	fresh, _, _ := d.enrolDevice(d.permit("mill-hf", false))
	own, request := newKey(t)
	body := func(key *ecdsa.PrivateKey) []byte {
		request, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
		if err != nil {
			t.Fatal(err)
		}
		return marshal(t, &wirev1.Renew{Request: request})
	}
	if code, said := d.post(enrolment.RenewPath, body(fresh.PrivateKey.(*ecdsa.PrivateKey)), fresh); code != http.StatusForbidden || !strings.Contains(string(said), "third") {
		t.Errorf("too early: %d %s", code, said)
	}
	over := d.old("mill-hf", own, time.Now().Add(-devices.DeviceLife-10*24*time.Hour))
	if code, said := d.post(enrolment.RenewPath, marshal(t, &wirev1.Renew{Request: request}), over); code != http.StatusForbidden || !strings.Contains(string(said), "readmit") {
		t.Errorf("without an operator: %d %s", code, said)
	}
	if n := d.kinds(); n["consent_wanted"] != 1 {
		t.Errorf("noted: %v", n)
	}
	d.sql("update device_certificates set revoked_at = now(), revoked_by = 'x', revoke_reason = 'x' where serial = $1", devices.SerialOf(fresh.Leaf))
	if err := d.Readmit(t.Context(), "mill-hf", "operator"); err != nil {
		t.Fatal(err)
	}
	if code, said := d.post(enrolment.RenewPath, body(fresh.PrivateKey.(*ecdsa.PrivateKey)), over); code != http.StatusForbidden {
		t.Errorf("for another key: %d %s", code, said)
	}
	code, said := d.post(enrolment.RenewPath, marshal(t, &wirev1.Renew{Request: request}), over)
	if code != http.StatusOK {
		t.Fatalf("with an operator: %d %s", code, said)
	}
	if code, _ := d.post(enrolment.RenewPath, marshal(t, &wirev1.Renew{Request: request}), over); code != http.StatusForbidden {
		t.Error("one consent was good for two certificates")
	}
	given := &wirev1.Enrolled{}
	if err := proto.Unmarshal(said, given); err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(given.GetCertificate())
	if err != nil {
		t.Fatal(err)
	}
	if beacon, reason := d.Admit(leaf); beacon != "mill-hf" || reason != devices.Accepted {
		t.Errorf("with the new certificate: %q %q", beacon, reason)
	}
}

// old enters a device whose certificate was issued long ago.
func (d *desk) old(beacon string, key *ecdsa.PrivateKey, issued time.Time) *tls.Certificate {
	d.t.Helper()
	authority, err := devices.NewAuthority(rand.Reader, issued)
	if err != nil {
		d.t.Fatal(err)
	}
	sealed, err := d.seal(authority)
	if err != nil {
		d.t.Fatal(err)
	}
	d.sql("insert into authorities (serial, certificate, sealed_key, made_at) values ($1, $2, $3, $4)", sealed.Serial, sealed.Certificate, sealed.SealedKey, issued)
	leaf, err := authority.Device(rand.Reader, &key.PublicKey, "tern", beacon, issued)
	if err != nil {
		d.t.Fatal(err)
	}
	d.sql("insert into device_certificates (serial, beacon, key_hash, certificate, not_after, issued_at) values ($1, $2, $3, $4, $5, $6)",
		devices.SerialOf(leaf), beacon, devices.KeyHash(leaf), leaf.Raw, leaf.NotAfter, issued)
	if err := d.look(d.t.Context()); err != nil {
		d.t.Fatal(err)
	}
	return &tls.Certificate{Certificate: [][]byte{leaf.Raw}, PrivateKey: key, Leaf: leaf}
}

func TestWhatIsNoRequestIsRefused(t *testing.T) {
	d := openDesk(t, storetest.New(t), t.TempDir())
	_, request := newKey(t)
	whole := marshal(t, &wirev1.Enrol{Secret: d.permit("mill-hf", false).Secret(), Request: request})
	for name, c := range map[string]struct {
		path string
		body []byte
		code int
	}{
		"nothing":              {enrolment.EnrolPath, nil, http.StatusForbidden},
		"garbage":              {enrolment.EnrolPath, []byte("\xff\xff garbage"), http.StatusBadRequest},
		"cut short":            {enrolment.EnrolPath, whole[:len(whole)/2], http.StatusBadRequest},
		"far too large":        {enrolment.EnrolPath, make([]byte, enrolment.MaxBytes+1), http.StatusRequestEntityTooLarge},
		"a token of nobody's":  {enrolment.EnrolPath, marshal(t, &wirev1.Enrol{Secret: make([]byte, 16), Request: request}), http.StatusForbidden},
		"no certificate shown": {enrolment.RenewPath, marshal(t, &wirev1.Renew{Request: request}), http.StatusForbidden},
	} {
		if code, said := d.post(c.path, c.body, nil); code != c.code {
			t.Errorf("%s: %d %s, want %d", name, code, said, c.code)
		}
	}
	if code, said := d.post(enrolment.EnrolPath, whole, nil); code != http.StatusOK {
		t.Errorf("afterwards the token counts no more: %d %s", code, said)
	}
}

func TestCoordinatorsShareAuthoritiesAndNobodyElseReadsThem(t *testing.T) {
	s, folder := storetest.New(t), t.TempDir()
	first, second := openDesk(t, s, folder), openDesk(t, s, folder)
	if len(first.Authorities()) != 1 || !bytes.Equal(first.Authorities()[0], second.Authorities()[0]) {
		t.Error("two coordinators have two authorities")
	}
	kept, err := s.Authorities(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range kept {
		if _, err := x509.ParsePKCS8PrivateKey(a.SealedKey); err == nil {
			t.Error("an authority's key lies in the database for all to read")
		}
	}
	v, err := vault.Load(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	_, err = New(t.Context(), Options{Store: s, Vault: v, Log: slog.New(slog.DiscardHandler), Metrics: prometheus.NewRegistry()})
	if !errors.Is(err, vault.ErrOtherKey) {
		t.Errorf("a coordinator with another vault: %v", err)
	}
}

func TestFilesForABrokerAreWrittenOnlyWhenTheyChange(t *testing.T) {
	d := openDesk(t, storetest.New(t), t.TempDir())
	folder := filepath.Join(t.TempDir(), "broker")
	if err := d.KeepBrokerFiles(folder); err != nil {
		t.Fatal(err)
	}
	read := func() map[string]string {
		all := map[string]string{}
		for _, name := range []string{"authorities.pem", "revoked.pem", "server.pem", "server.key"} {
			info, err := os.Stat(filepath.Join(folder, name))
			if err != nil || info.Mode().Perm() != 0o600 {
				t.Fatalf("%s: %v %v", name, info, err)
			}
			text, err := os.ReadFile(filepath.Join(folder, name))
			if err != nil {
				t.Fatal(err)
			}
			all[name] = string(text)
		}
		return all
	}
	before := read()
	if _, code, _ := d.enrolDevice(d.permit("mill-hf", false)); code != http.StatusOK {
		t.Fatal(code)
	}
	if after := read(); after["revoked.pem"] != before["revoked.pem"] || after["server.key"] != before["server.key"] {
		t.Error("a new device made the broker start again")
	}
	if err := d.Revoke(t.Context(), "mill-hf", "admin", "stolen"); err != nil {
		t.Fatal(err)
	}
	after := read()
	if after["revoked.pem"] == before["revoked.pem"] || after["server.key"] != before["server.key"] {
		t.Error("a revocation does not reach the broker")
	}
}
