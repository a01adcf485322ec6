package enrol

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/proto/enrolment"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/setup"
)

// certify makes a certificate as a coordinator would; parent nil: an authority.
func certify(t *testing.T, parent *x509.Certificate, signer *ecdsa.PrivateKey, public *ecdsa.PublicKey, from, to time.Time) *x509.Certificate {
	t.Helper()
	form := &x509.Certificate{
		SerialNumber: big.NewInt(from.UnixNano()), Subject: pkix.Name{CommonName: "x"}, NotBefore: from, NotAfter: to,
		DNSNames: []string{enrolment.ServerName}, BasicConstraintsValid: true,
	}
	if parent == nil {
		form.IsCA, form.KeyUsage, parent = true, x509.KeyUsageCertSign, form
	}
	der, err := x509.CreateCertificate(rand.Reader, form, parent, public, signer)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

var now = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)

// A device trusts whom its token names, and nobody else.
func TestOnlyTheCoordinatorOfTheTokenIsTrusted(t *testing.T) {
	key, other, server := newKey(t), newKey(t), newKey(t)
	from, to := now.Add(-time.Hour), now.Add(time.Hour)
	ours := certify(t, nil, key, &key.PublicKey, from, to)
	theirs := certify(t, nil, other, &other.PublicKey, from, to)
	good := certify(t, ours, key, &server.PublicKey, from, to)
	forged := certify(t, theirs, other, &server.PublicKey, from, to)
	token, err := enrolment.NewToken(rand.Reader, ours.Raw)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		shown []*x509.Certificate
		at    time.Time
		right bool
	}{
		"the coordinator":                   {[]*x509.Certificate{good, ours}, now, true},
		"another one":                       {[]*x509.Certificate{forged, theirs}, now, false},
		"another one with our authority":    {[]*x509.Certificate{forged, ours}, now, false},
		"without its authority":             {[]*x509.Certificate{good}, now, false},
		"with a clock that is a day behind": {[]*x509.Certificate{good, ours}, now.Add(-24 * time.Hour), false},
	} {
		if err := pinned(token, c.shown, c.at); (err == nil) != c.right {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := pinned(token, []*x509.Certificate{good, ours}, now.Add(-24*time.Hour)); errors.Is(err, errNotPinned) || !strings.Contains(err.Error(), "set the clock") {
		t.Errorf("a wrong clock is not told as one: %v", err)
	}
}

// An answer that is for another key, or whom nobody could trust, changes
// nothing; keys and certificates that others could have read are refused.
func TestWhatIsKept(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "identity")
	i := At(folder)
	key, err := i.makeKey()
	if err != nil {
		t.Fatal(err)
	}
	again, err := i.makeKey()
	if err != nil || !again.Public().(*ecdsa.PublicKey).Equal(key.Public()) {
		t.Fatalf("an enrolment that was cut short began with another key: %v", err)
	}
	ca, other := newKey(t), newKey(t)
	authority := certify(t, nil, ca, &ca.PublicKey, now, now.Add(time.Hour))
	own := certify(t, authority, ca, key.Public().(*ecdsa.PublicKey), now, now.Add(90*24*time.Hour))
	foreign := certify(t, authority, ca, &other.PublicKey, now, now.Add(time.Hour))
	trust := [][]byte{authority.Raw}
	for name, answer := range map[string]*wirev1.Enrolled{
		"nothing": {}, "for another key": {Certificate: foreign.Raw, Authorities: trust}, "without an authority": {Certificate: own.Raw},
		"with half an authority": {Certificate: own.Raw, Authorities: [][]byte{authority.Raw[:20]}},
	} {
		if err := i.take(answer, key); err == nil || i.Enrolled() {
			t.Errorf("%s was taken", name)
		}
	}
	if err := i.take(&wirev1.Enrolled{Certificate: own.Raw, Authorities: trust}, key); err != nil || !i.Enrolled() {
		t.Fatal(err)
	}
	if _, err := i.TLS(); err != nil {
		t.Error(err)
	}
	token, err := enrolment.NewToken(rand.Reader, authority.Raw)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := i.Enrol(t.Context(), "127.0.0.1:1", token); err == nil || !strings.Contains(err.Error(), "already") {
		t.Errorf("a device was enrolled over: %v", err)
	}
	for _, name := range []string{keyFile, certificateFile, authoritiesFile} {
		file := filepath.Join(folder, name)
		if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", name, info, err)
		}
		if err := os.Chmod(file, 0o644); err != nil { //nolint:gosec // that is the test
			t.Fatal(err)
		}
		if _, err := i.TLS(); err == nil || !strings.Contains(err.Error(), "chmod 600") {
			t.Errorf("%s can be read by others: %v", name, err)
		}
		if err := os.Chmod(file, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for at, want := range map[time.Duration]bool{0: false, 59 * 24 * time.Hour: false, 60 * 24 * time.Hour: true, 100 * 24 * time.Hour: true} {
		if due(own, now.Add(at)) != want {
			t.Errorf("after %s a renewal is due: %v", at, !want)
		}
	}
}

// offered is a coordinator that certifies one device, and gives whoever shows that
// certificate a configuration.
func offered(t *testing.T, configuration func() []byte) (at string, identity Identity) {
	t.Helper()
	from, to := time.Now().Add(-time.Hour), time.Now().Add(90*24*time.Hour)
	ca, server := newKey(t), newKey(t)
	authority := certify(t, nil, ca, &ca.PublicKey, from, to)
	shown := certify(t, authority, ca, &server.PublicKey, from, to)
	listener := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet || r.URL.Path != enrolment.ConfigurationPath || len(r.TLS.PeerCertificates) == 0 {
			w.WriteHeader(http.StatusForbidden)
			return
		}
		_, _ = w.Write(configuration())
	}))
	listener.TLS = &tls.Config{
		MinVersion: tls.VersionTLS12, ClientAuth: tls.RequestClientCert,
		Certificates: []tls.Certificate{{Certificate: [][]byte{shown.Raw, authority.Raw}, PrivateKey: server}},
	}
	listener.StartTLS()
	t.Cleanup(listener.Close)
	identity = At(filepath.Join(t.TempDir(), "identity"))
	key, err := identity.makeKey()
	if err != nil {
		t.Fatal(err)
	}
	own := certify(t, authority, ca, key.Public().(*ecdsa.PublicKey), from, to)
	if err := identity.keep(own.Raw, [][]byte{authority.Raw}); err != nil {
		t.Fatal(err)
	}
	return listener.Listener.Addr().String(), identity
}

// A licence that changes reaches the device: it takes a newer envelope that its
// coordinator signed for it, and nothing else of what comes.
func TestANewerEnvelopeIsTakenAndKept(t *testing.T) {
	signer, err := seal.NewSigner(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	stranger, err := seal.NewSigner(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	config := func(by *seal.Signer, beacon string, number uint64) *setup.File {
		payload, err := proto.Marshal(&wirev1.Envelope{Network: "tern", Beacon: beacon, Number: number})
		if err != nil {
			t.Fatal(err)
		}
		f := &setup.File{
			Network: "tern", Site: "mill", Beacon: beacon, Broker: "tcp://127.0.0.1:1", Folder: "away",
			Clock: setup.Clock{Source: "simulated", BoundMS: 1}, Transmitter: setup.Transmitter{Driver: "simulated"},
			CoordinatorKey: setup.CoordinatorKey{ID: by.Public().ID(), Public: by.Public().String()},
		}
		f.SetEnvelope(by.Seal(seal.Envelope, "tern", beacon, payload))
		return f
	}
	var offer []byte
	at, identity := offered(t, func() []byte { return offer })
	own := config(signer, "mill-hf", 5)
	own.Identity = &setup.Identity{Folder: identity.folder, Coordinator: at}
	for _, c := range []struct {
		name   string
		offer  *setup.File
		taken  bool
		wrong  bool
		number uint64 // afterwards
	}{
		{"the same", config(signer, "mill-hf", 5), false, false, 5},
		{"an older one", config(signer, "mill-hf", 4), false, false, 5},
		{"another beacon's", config(signer, "harbour-hf", 9), false, true, 5},
		{"a stranger's", config(stranger, "mill-hf", 9), false, true, 5},
		{"a newer one", config(signer, "mill-hf", 6), true, false, 6},
		{"that one again", config(signer, "mill-hf", 6), false, false, 6},
		{"a newer one yet", config(signer, "mill-hf", 7), true, false, 7},
	} {
		if offer, err = c.offer.Encode(); err != nil {
			t.Fatal(err)
		}
		sealed, err := identity.Refresh(t.Context(), own)
		if (err != nil) != c.wrong || (sealed != nil) != c.taken {
			t.Errorf("%s: taken %v, %v", c.name, sealed != nil, err)
		}
		if _, present, err := Envelope(own); err != nil || present.GetNumber() != c.number {
			t.Errorf("%s: then it holds %v, %v", c.name, present, err)
		}
	}
	offer = []byte("garbage: [")
	if _, err := identity.Refresh(t.Context(), own); err == nil {
		t.Error("garbage was taken")
	}
	// A person brought a configuration of another coordinator: what was got before
	// is worth nothing.
	other := config(stranger, "mill-hf", 1)
	other.Identity = own.Identity
	if _, present, err := Envelope(other); err != nil || present.GetNumber() != 1 {
		t.Errorf("with another coordinator's configuration it holds %v, %v", present, err)
	}
}
