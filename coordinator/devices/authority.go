package devices

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"io"
	"math/big"
	"time"
)

// How long certificates last, and what follows from that.
const (
	AuthorityLife = 6 * 365 * 24 * time.Hour
	DeviceLife    = 90 * 24 * time.Hour
	ServerLife    = 30 * 24 * time.Hour
	// Settled is how old an authority is when every device has learnt of it.
	Settled = 120 * 24 * time.Hour
	// early is how far back a certificate begins: clocks differ, and that of a
	// device may be an hour off while it has no fix.
	early = time.Hour
)

// Authority is a certificate authority with its key.
type Authority struct {
	Certificate *x509.Certificate
	Key         crypto.Signer
}

// NewAuthority makes one. random is a secure source.
func NewAuthority(random io.Reader, now time.Time) (Authority, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), random)
	if err != nil {
		return Authority{}, err
	}
	serial, err := newSerial(random)
	if err != nil {
		return Authority{}, err
	}
	form := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{Organization: []string{"Lamplighter"}, CommonName: fmt.Sprintf("Lamplighter authority of %s", now.Format(time.DateOnly))},
		NotBefore: now.Add(-early), NotAfter: now.Add(AuthorityLife),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	return Authority{Key: key}.made(random, form, form, key.Public(), key)
}

// made fills in the certificate.
func (a Authority) made(random io.Reader, form, parent *x509.Certificate, public crypto.PublicKey, signer crypto.Signer) (Authority, error) {
	der, err := x509.CreateCertificate(random, form, parent, public, signer)
	if err != nil {
		return a, err
	}
	a.Certificate, err = x509.ParseCertificate(der)
	return a, err
}

// newSerial is a random serial number of 127 bits, positive as RFC 5280 wants it.
func newSerial(random io.Reader) (*big.Int, error) {
	raw := make([]byte, 16)
	if _, err := io.ReadFull(random, raw); err != nil {
		return nil, fmt.Errorf("no random bytes for a serial number: %w", err)
	}
	raw[0] = raw[0]&0x7f | 0x40
	return new(big.Int).SetBytes(raw), nil
}

// valid says whether an authority's certificate counts now.
func (a Authority) valid(now time.Time) bool {
	return !now.Before(a.Certificate.NotBefore) && now.Before(a.Certificate.NotAfter)
}

// AuthorityDue says whether it is time for another authority. They are given
// the oldest first.
func AuthorityDue(all []Authority, now time.Time) bool {
	return len(all) == 0 || all[len(all)-1].Certificate.NotAfter.Sub(now) <= AuthorityLife/3
}

// Issuer is the authority that certifies devices: the newest.
func Issuer(all []Authority) Authority { return all[len(all)-1] }

// Presenter is the authority that certifies coordinator and broker: the newest
// that every device has learnt of, and else the oldest that counts.
func Presenter(all []Authority, now time.Time) Authority {
	for i := len(all) - 1; i > 0; i-- {
		if now.Sub(all[i].Certificate.NotBefore) >= Settled {
			return all[i]
		}
	}
	for _, a := range all {
		if a.valid(now) {
			return a
		}
	}
	return Issuer(all)
}

// Server certifies a key for a coordinator or broker that answers to the names.
func (a Authority) Server(random io.Reader, key crypto.PublicKey, names []string, now time.Time) (*x509.Certificate, error) {
	return a.leaf(random, key, &x509.Certificate{
		Subject: pkix.Name{Organization: []string{"Lamplighter"}, CommonName: names[0]}, DNSNames: names,
		NotAfter: now.Add(ServerLife), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}, now)
}

// Coordinator is the name in the certificate with which a coordinator connects
// to a broker outside. No beacon can have it: their names have no capitals.
const Coordinator = "Coordinator"

// Client certifies a coordinator's key for connecting to a broker.
func (a Authority) Client(random io.Reader, key crypto.PublicKey, now time.Time) (*x509.Certificate, error) {
	return a.leaf(random, key, &x509.Certificate{
		Subject:  pkix.Name{Organization: []string{"Lamplighter"}, CommonName: Coordinator},
		NotAfter: now.Add(ServerLife), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}, now)
}

// Device certifies a device's key for a beacon.
func (a Authority) Device(random io.Reader, key crypto.PublicKey, network, beacon string, now time.Time) (*x509.Certificate, error) {
	return a.leaf(random, key, &x509.Certificate{
		Subject:  pkix.Name{Organization: []string{network}, CommonName: beacon},
		NotAfter: now.Add(DeviceLife), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}, now)
}

// leaf fills in what all certificates have that sign no other.
func (a Authority) leaf(random io.Reader, key crypto.PublicKey, form *x509.Certificate, now time.Time) (*x509.Certificate, error) {
	var err error
	if form.SerialNumber, err = newSerial(random); err != nil {
		return nil, err
	}
	form.NotBefore, form.KeyUsage, form.BasicConstraintsValid = now.Add(-early), x509.KeyUsageDigitalSignature, true
	if form.NotAfter.After(a.Certificate.NotAfter) {
		form.NotAfter = a.Certificate.NotAfter
	}
	made, err := a.made(random, form, a.Certificate, key, a.Key)
	return made.Certificate, err
}

// Revocations is the list of revoked certificates that this authority signed, in
// DER (RFC 5280, section 5). It counts for a year: a broker that can't get a
// newer one must not lock everybody out.
func (a Authority) Revocations(random io.Reader, revoked []Record, now time.Time) ([]byte, error) {
	form := &x509.RevocationList{Number: big.NewInt(now.Unix()), ThisUpdate: now.Add(-early), NextUpdate: now.AddDate(1, 0, 0)}
	for _, r := range revoked {
		if r.Revoked.IsZero() || r.Certificate.CheckSignatureFrom(a.Certificate) != nil {
			continue
		}
		form.RevokedCertificateEntries = append(form.RevokedCertificateEntries, x509.RevocationListEntry{
			SerialNumber: r.Certificate.SerialNumber, RevocationTime: r.Revoked,
		})
	}
	return x509.CreateRevocationList(random, form, a.Certificate, a.Key)
}
