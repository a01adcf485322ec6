// Package enrol is how a device comes by its identity and keeps it: a key that
// is made here and never leaves, the certificate for it, and the authorities
// whose certificates it trusts. They are three files of one folder that nobody
// else may read. A fourth is the latest envelope, where the licence has changed
// since.
//
// The first certificate is got with a token that a person brings (Enrol). What
// the device trusts then is the fingerprint in that token and nothing else.
// From then on the certificate is renewed by itself (Keep) when a third of its
// life is left, and asked for again and again when it is over, until an operator
// lets it.
package enrol

import (
	"crypto"
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

	"lamplighter/proto/enrolment"
)

// The files of an identity.
const (
	keyFile         = "key.pem"
	certificateFile = "certificate.pem"
	authoritiesFile = "authorities.pem"
)

// maxFile is the size in bytes of the largest of them that is read.
const maxFile = 256 << 10

// Identity is a folder with a device's key and certificates.
type Identity struct{ folder string }

// At is the identity in a folder, which need not be there yet.
func At(folder string) Identity { return Identity{folder} }

// Enrolled says whether there is a certificate.
func (i Identity) Enrolled() bool {
	_, err := os.Lstat(filepath.Join(i.folder, certificateFile))
	return err == nil
}

// read reads a file that nobody else may read.
func (i Identity) read(name string) ([]byte, error) {
	file := filepath.Join(i.folder, name)
	info, err := os.Lstat(file)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular() || info.Size() > maxFile:
		return nil, fmt.Errorf("%s: this is no plain file, or a very large one", file)
	case info.Mode().Perm()&0o077 != 0:
		return nil, fmt.Errorf("%s: others than its owner can read it (mode %04o): chmod 600 %s; if others had access to it, have the device revoked and enrol it anew", file, info.Mode().Perm(), file)
	}
	return os.ReadFile(file)
}

// write replaces a file; it is there whole, before or after.
func (i Identity) write(name, kind string, blocks ...[]byte) error {
	var text []byte
	for _, der := range blocks {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})...)
	}
	draft, err := os.CreateTemp(i.folder, name+".*") // mode 0600
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(draft.Name()) }() // it has its own name by then
	_, err = draft.Write(text)
	if err = errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return err
	}
	if err := os.Rename(draft.Name(), filepath.Join(i.folder, name)); err != nil {
		return err
	}
	folder, err := os.Open(i.folder)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// key reads the device's key.
func (i Identity) key() (crypto.Signer, error) {
	text, err := i.read(keyFile)
	if err != nil {
		return nil, err
	}
	damaged := fmt.Errorf("%s: damaged: enrol the device anew", filepath.Join(i.folder, keyFile))
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, damaged
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, damaged // the library's text could repeat parts of the key
	}
	signer, ok := parsed.(crypto.Signer)
	if !ok {
		return nil, damaged
	}
	return signer, nil
}

// makeKey makes the key, or reads the one of an enrolment that did not come to
// its end.
func (i Identity) makeKey() (crypto.Signer, error) {
	if err := os.MkdirAll(i.folder, 0o700); err != nil {
		return nil, err
	}
	present, err := i.key()
	if !errors.Is(err, fs.ErrNotExist) {
		return present, err
	}
	made, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(made)
	if err != nil {
		return nil, err
	}
	return made, i.write(keyFile, "PRIVATE KEY", der)
}

// block reads a file with one block of a kind.
func (i Identity) block(name, kind string) ([]byte, error) {
	text, err := i.read(name)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != kind {
		return nil, fmt.Errorf("%s: damaged: remove it", filepath.Join(i.folder, name))
	}
	return block.Bytes, nil
}

// certificates reads the certificates of a file.
func (i Identity) certificates(name string) ([]*x509.Certificate, error) {
	text, err := i.read(name)
	if err != nil {
		return nil, err
	}
	var all []*x509.Certificate
	for block, rest := pem.Decode(text); block != nil; block, rest = pem.Decode(rest) {
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", filepath.Join(i.folder, name), err)
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s: no certificate in it: enrol the device anew", filepath.Join(i.folder, name))
	}
	return all, nil
}

// Certificate is the device's present certificate.
func (i Identity) Certificate() (*x509.Certificate, error) {
	all, err := i.certificates(certificateFile)
	if err != nil {
		return nil, err
	}
	return all[0], nil
}

// TLS is how the device speaks with coordinator and broker, from what the files
// hold now.
func (i Identity) TLS() (*tls.Config, error) {
	key, err := i.key()
	if err != nil {
		return nil, err
	}
	certificate, err := i.Certificate()
	if err != nil {
		return nil, err
	}
	authorities, err := i.certificates(authoritiesFile)
	if err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	for _, a := range authorities {
		roots.AddCert(a)
	}
	shown := &tls.Certificate{Certificate: [][]byte{certificate.Raw}, PrivateKey: key, Leaf: certificate}
	return &tls.Config{
		MinVersion: tls.VersionTLS12, ServerName: enrolment.ServerName, RootCAs: roots,
		GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return shown, nil },
	}, nil
}

// keep writes what a coordinator has given: first whom to trust, so that a
// certificate never stands without it.
func (i Identity) keep(certificate []byte, authorities [][]byte) error {
	if err := i.write(authoritiesFile, "CERTIFICATE", authorities...); err != nil {
		return err
	}
	return i.write(certificateFile, "CERTIFICATE", certificate)
}
