package registrar

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"lamplighter/coordinator/devices"
	"lamplighter/proto/enrolment"
)

// brokerFiles are what a broker outside needs to ask for certificates: whom to
// trust, who was revoked, and a certificate of its own with its key.
type brokerFiles struct {
	registrar *Registrar
	folder    string

	mu      sync.Mutex
	revoked []string // serial numbers in the list that was written last
	trusted int      // authorities that were written last
	server  *x509.Certificate
}

// KeepBrokerFiles writes into a folder what a broker outside needs, now and
// whenever it changes. Whoever runs the broker has it read them again.
func (r *Registrar) KeepBrokerFiles(folder string) error {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return err
	}
	b := &brokerFiles{registrar: r, folder: folder}
	r.OnChange(func() {
		if err := b.write(); err != nil {
			r.options.Log.Error("the files for the broker can't be written: it does not learn who was revoked", "folder", folder, "error", err)
		}
	})
	return b.write()
}

func (b *brokerFiles) write() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	present, now := b.registrar.present(), time.Now()
	var revoked []string
	var records []devices.Record
	for serial, record := range present.Records {
		if !record.Revoked.IsZero() {
			revoked, records = append(revoked, serial), append(records, record)
		}
	}
	slices.Sort(revoked)
	if b.server == nil || devices.RenewalDue(b.server, now) {
		if err := b.writeServer(present, now); err != nil {
			return err
		}
	}
	if b.trusted == len(present.Authorities) && slices.Equal(b.revoked, revoked) {
		return nil
	}
	var trusted, lists []byte
	for _, a := range present.Authorities {
		trusted = append(trusted, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.Certificate.Raw})...)
		list, err := a.Revocations(rand.Reader, records, now)
		if err != nil {
			return err
		}
		lists = append(lists, pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: list})...)
	}
	if err := errors.Join(b.replace("authorities.pem", trusted), b.replace("revoked.pem", lists)); err != nil {
		return err
	}
	b.trusted, b.revoked = len(present.Authorities), revoked
	return nil
}

// writeServer writes the broker's own certificate and key, unless one is there
// that lasts.
func (b *brokerFiles) writeServer(present devices.Network, now time.Time) error {
	authority := devices.Presenter(present.Authorities, now)
	certificate, key := filepath.Join(b.folder, "server.pem"), filepath.Join(b.folder, "server.key")
	pair, err := tls.LoadX509KeyPair(certificate, key)
	if err == nil && pair.Leaf.CheckSignatureFrom(authority.Certificate) == nil && !devices.RenewalDue(pair.Leaf, now) {
		b.server = pair.Leaf
		return nil
	}
	made, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	signed, err := authority.Server(rand.Reader, &made.PublicKey, []string{enrolment.ServerName}, now)
	if err != nil {
		return err
	}
	der, err := x509.MarshalPKCS8PrivateKey(made)
	if err != nil {
		return err
	}
	if err := errors.Join(
		b.replace("server.key", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})),
		b.replace("server.pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: signed.Raw})),
	); err != nil {
		return err
	}
	b.server = signed
	return nil
}

// replace writes a file whole, unless it holds this already: what watches the
// folder would take a rewritten one for news.
func (b *brokerFiles) replace(name string, text []byte) error {
	file := filepath.Join(b.folder, name)
	if present, err := os.ReadFile(file); err == nil && bytes.Equal(present, text) || err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	draft := file + ".new"
	if err := os.WriteFile(draft, text, 0o600); err != nil {
		return fmt.Errorf("%s: %w", b.folder, err)
	}
	return os.Rename(draft, file)
}
