package app

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/devices"
)

// writePair writes a certificate with its key, as a person's own authority does.
func writePair(t *testing.T, certificate, key string) *x509.Certificate {
	t.Helper()
	authority, err := devices.NewAuthority(rand.Reader, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	made, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := authority.Server(rand.Reader, &made.PublicKey, []string{"beacons.example.org"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(made)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{certificate: {Type: "CERTIFICATE", Bytes: leaf.Raw}, key: {Type: "PRIVATE KEY", Bytes: der}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return leaf
}

func TestACertificateInFilesIsReadAnew(t *testing.T) {
	folder := t.TempDir()
	certificate, key := filepath.Join(folder, "chain.pem"), filepath.Join(folder, "key.pem")
	first := writePair(t, certificate, key)
	f, err := newFiled(certificate, key, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	shows := func(what string, want *x509.Certificate) {
		t.Helper()
		f.looked = time.Time{} // as if it was looked at long ago
		if got, err := f.get(nil); err != nil || !got.Leaf.Equal(want) {
			t.Errorf("%s: another certificate is shown, %v", what, err)
		}
	}
	shows("at first", first)
	later := func(at time.Duration) {
		t.Helper()
		for _, file := range []string{certificate, key} {
			if err := os.Chtimes(file, time.Time{}, time.Now().Add(at)); err != nil {
				t.Fatal(err)
			}
		}
	}
	second := writePair(t, certificate, key)
	later(time.Hour)
	shows("written anew", second)
	if err := os.WriteFile(certificate, []byte("half a certifi"), 0o600); err != nil {
		t.Fatal(err)
	}
	later(2 * time.Hour)
	shows("while the files are wrong", second)
	third := writePair(t, certificate, key)
	later(3 * time.Hour)
	shows("right again", third)
	if err := os.Chmod(key, 0o644); err != nil { //nolint:gosec // that is the test
		t.Fatal(err)
	}
	if _, err := newFiled(certificate, key, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("a key that others can read: %v", err)
	}
}
