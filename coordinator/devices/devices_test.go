package devices

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var start = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)

const day = 24 * time.Hour

func authority(t testing.TB, at time.Time) Authority {
	t.Helper()
	a, err := NewAuthority(rand.Reader, at)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func key(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func device(t testing.TB, a Authority, network, beacon string, at time.Time) *x509.Certificate {
	t.Helper()
	c, err := a.Device(rand.Reader, &key(t).PublicKey, network, beacon, at)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestWhoMaySpeak(t *testing.T) {
	ours, theirs := authority(t, start), authority(t, start)
	mill := device(t, ours, "tern", "mill-hf", start)
	later := device(t, ours, "tern", "mill-hf", start.Add(10*day))
	server, err := ours.Server(rand.Reader, &key(t).PublicKey, []string{"lamplighter.internal"}, start)
	if err != nil {
		t.Fatal(err)
	}
	client, err := ours.Client(rand.Reader, &key(t).PublicKey, start)
	if err != nil {
		t.Fatal(err)
	}
	elsewhere, unlisted := device(t, ours, "other", "mill-hf", start), device(t, ours, "tern", "mill-hf", start)
	misnamed, forged := device(t, ours, "tern", "harbour-hf", start), device(t, theirs, "tern", "mill-hf", start)
	revoked := device(t, ours, "tern", "mill-hf", start)
	var proven Proven
	n := Network{ID: "tern", Authorities: []Authority{ours}, Records: Records{}}
	for _, c := range []*x509.Certificate{mill, later, server, client, elsewhere, misnamed, forged} {
		n.Records[SerialOf(c)] = Record{Certificate: c, Beacon: "mill-hf"}
	}
	n.Records[SerialOf(revoked)] = Record{Certificate: revoked, Beacon: "mill-hf", Revoked: start}
	for _, c := range []struct {
		name  string
		shown *x509.Certificate
		at    time.Time
		want  Reason
	}{
		{"a device", mill, start, Accepted},
		{"in its last second", mill, start.Add(DeviceLife - time.Second), Accepted},
		{"at its end", mill, start.Add(DeviceLife), Expired},
		{"before its beginning", later, start, NotYet},
		{"nobody", nil, start, NoCertificate},
		{"a server's certificate", server, start, UnknownAuthority},
		{"a coordinator's own", client, start, OtherNetwork},
		{"the authority's own", ours.Certificate, start, OtherNetwork},
		{"of another network", elsewhere, start, OtherNetwork},
		{"signed by us and never entered", unlisted, start, NeverIssued},
		{"entered for another beacon", misnamed, start, NeverIssued},
		{"of another authority", forged, start, UnknownAuthority},
		{"revoked", revoked, start, Revoked},
		{"revoked, and over", revoked, start.Add(DeviceLife), Revoked},
	} {
		remembers := n
		remembers.Proven = &proven
		for _, by := range []Network{n, remembers, remembers} {
			beacon, got := by.Judge(c.shown, c.at)
			if got != c.want || (beacon == "mill-hf") != (c.want == Accepted) {
				t.Errorf("%s, remembered %t: %q as %q, want %q", c.name, by.Proven != nil, got, beacon, c.want)
			}
		}
	}
	for c, signed := range map[*x509.Certificate]bool{mill: true, revoked: true, server: false, unlisted: false, forged: false} {
		if proven.has(c) != signed {
			t.Errorf("of %s is remembered: %t", c.Subject, !signed)
		}
	}
	for _, r := range Reasons() {
		if r.Sentence() == "" {
			t.Errorf("%s says nothing", r)
		}
	}
}

func TestWhoGetsAnotherCertificate(t *testing.T) {
	ours := authority(t, start)
	c := device(t, ours, "tern", "mill-hf", start)
	n := Network{ID: "tern", Authorities: []Authority{ours}, Records: Records{SerialOf(c): {Certificate: c, Beacon: "mill-hf"}}}
	third := start.Add(DeviceLife - (DeviceLife+early)/3)
	for _, test := range []struct {
		name     string
		at       time.Time
		readmit  time.Time
		revoked  bool
		want     Reason
		warning  Warning
		speaking Reason
	}{
		{"new", start, time.Time{}, false, NotDue, NoWarning, Accepted},
		{"just before a third is left", third.Add(-time.Second), time.Time{}, false, NotDue, NoWarning, Accepted},
		{"a third is left", third, time.Time{}, false, Accepted, NoWarning, Accepted},
		{"30 days left", start.Add(60 * day), time.Time{}, false, Accepted, ThirtyDay, Accepted},
		{"7 days left", start.Add(83 * day), time.Time{}, false, Accepted, SevenDays, Accepted},
		{"1 day left", start.Add(89 * day), time.Time{}, false, Accepted, OneDay, Accepted},
		{"revoked with a day left", start.Add(89 * day), time.Time{}, true, Revoked, OneDay, Revoked},
		{"over", start.Add(90 * day), time.Time{}, false, NeedsConsent, Over, Expired},
		{"over, and an operator lets it", start.Add(90 * day), start.Add(97 * day), false, Accepted, Over, Expired},
		{"over, and that was long ago", start.Add(98 * day), start.Add(97 * day), false, NeedsConsent, Over, Expired},
		{"revoked, whatever the operator says", start.Add(90 * day), start.Add(97 * day), true, Revoked, Over, Revoked},
		{"over for 180 days", start.Add(270 * day), start.Add(300 * day), false, Accepted, Over, Expired},
		{"over for longer", start.Add(270*day + time.Second), start.Add(300 * day), false, LongOver, Over, Expired},
	} {
		record := Record{Certificate: c, Beacon: "mill-hf", Readmit: test.readmit}
		if test.revoked {
			record.Revoked = start
		}
		n.Records[SerialOf(c)] = record
		if _, got := n.Renew(c, test.at); got != test.want {
			t.Errorf("%s: %q, want %q", test.name, got, test.want)
		}
		if _, got := n.Judge(c, test.at); got != test.speaking {
			t.Errorf("%s: may speak: %q, want %q", test.name, got, test.speaking)
		}
		if got := WarningFor(c.NotAfter, test.at); got != test.warning {
			t.Errorf("%s: warning %q, want %q", test.name, got, test.warning)
		}
	}
}

// Twenty years with a look every day: whoever renews in time is never without an
// authority that knows them, nor shown a certificate by one that they can't
// know.
func TestAuthoritiesOverlap(t *testing.T) {
	var all []Authority
	var learnt []Authority // by a device that renews every 60 days, as late as can be
	renewals := 0
	for at := start; at.Before(start.AddDate(20, 0, 0)); at = at.Add(day) {
		if AuthorityDue(all, at) {
			all = append(all, authority(t, at))
		}
		if int(at.Sub(start)/day)%60 == 0 {
			learnt = slices.Clone(all)
			renewals++
		}
		presenter := Presenter(all, at)
		if !presenter.valid(at.Add(ServerLife)) {
			t.Fatalf("%s: what is shown is signed by an authority that is over within its life", at)
		}
		if !slices.ContainsFunc(learnt, func(a Authority) bool { return a.Certificate.Equal(presenter.Certificate) }) {
			t.Fatalf("%s: a device is shown an authority that it can't know", at)
		}
		if issuer := Issuer(all); !issuer.valid(at.Add(DeviceLife)) {
			t.Fatalf("%s: a device's certificate would outlive its authority", at)
		}
	}
	if len(all) < 5 || renewals < 100 {
		t.Errorf("%d authorities in 20 years, %d renewals: the test saw no change", len(all), renewals)
	}
}

func TestOnlyAKeyOnesOwnIsRequested(t *testing.T) {
	request := func(k crypto.Signer) []byte {
		der, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, k)
		if err != nil {
			t.Fatal(err)
		}
		return der
	}
	own := key(t)
	_, ed, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	other, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	large, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	good := request(own)
	point := func(k *ecdsa.PrivateKey) []byte {
		raw, err := k.PublicKey.Bytes()
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	swapped := bytes.Replace(good, point(own), point(key(t)), 1)
	for name, c := range map[string]struct {
		request []byte
		want    Reason
	}{
		"P-256": {good, Accepted}, "Ed25519": {request(ed), Accepted}, "P-384": {request(other), BadRequest}, "RSA": {request(large), BadRequest},
		"nothing": {nil, BadRequest}, "another's key": {swapped, BadRequest}, "more behind it": {append(bytes.Clone(good), 0), BadRequest},
		"too large": {make([]byte, maxRequest+1), BadRequest},
	} {
		if _, _, got := RequestedKey(c.request); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) { // every bit counts
		spoilt := bytes.Clone(good)
		spoilt[rapid.IntRange(0, len(good)-1).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		if _, _, reason := RequestedKey(spoilt); reason == Accepted {
			t.Fatal("a request that was changed counts")
		}
	})
}

func FuzzRequestedKey(f *testing.F) {
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		f.Fatal(err)
	}
	der, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, k)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(der)
	f.Fuzz(func(t *testing.T, request []byte) {
		if public, hash, reason := RequestedKey(request); reason == Accepted && (public == nil || len(hash) != 32) {
			t.Errorf("accepted without a key")
		}
	})
}
