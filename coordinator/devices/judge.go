package devices

import (
	"bytes"
	"crypto/sha256"
	"crypto/x509"
	"slices"
	"sync"
	"time"
)

// Reason says why a device may not speak; empty: it may.
type Reason string

// The reasons.
const (
	Accepted         Reason = ""
	NoCertificate    Reason = "no_certificate"    // it showed none
	UnknownAuthority Reason = "unknown_authority" // signed by nobody we know, or not for a device
	OtherNetwork     Reason = "other_network"     // for a device of another network
	NeverIssued      Reason = "never_issued"      // it does not stand in the database
	Revoked          Reason = "revoked"           // for ever
	NotYet           Reason = "not_yet"           // it begins later
	Expired          Reason = "expired"           // it is over
	// And when it asks for another certificate:
	NotDue       Reason = "not_due"       // more than a third of its life is left
	NeedsConsent Reason = "needs_consent" // it is over, and an operator must let it
	LongOver     Reason = "long_over"     // over for too long: it must be enrolled anew
	BadRequest   Reason = "bad_request"   // its request is none, or for another key
)

// Reasons lists all refusals.
func Reasons() []Reason {
	return []Reason{
		NoCertificate, UnknownAuthority, OtherNetwork, NeverIssued, Revoked, NotYet, Expired,
		NotDue, NeedsConsent, LongOver, BadRequest,
	}
}

var sentences = map[Reason]string{
	NoCertificate:    "a device must show its certificate: enrol it first",
	UnknownAuthority: "the certificate was not made by this coordinator for a device",
	OtherNetwork:     "the certificate is of another network",
	NeverIssued:      "the coordinator's database does not know this certificate; if it was restored from a backup, enrol the device anew",
	Revoked:          "this device was revoked",
	NotYet:           "the certificate is not valid yet: look at the clocks",
	Expired:          "the certificate is over",
	NotDue:           "the certificate has more than a third of its life left",
	NeedsConsent:     "the certificate is over, and an operator must let the device in again: lamplighter readmit BEACON",
	LongOver:         "the certificate has been over for more than 180 days: enrol the device anew",
	BadRequest:       "this is no certificate request for the key that the device has",
}

// Sentence tells a person why not.
func (r Reason) Sentence() string { return sentences[r] }

// Record is a certificate as the database knows it.
type Record struct {
	Certificate *x509.Certificate
	Beacon      string
	Revoked     time.Time // zero: it was not
	Readmit     time.Time // until then it may be renewed though it is over
}

// Records finds certificates by their serial number.
type Records map[string]Record

// SerialOf is a certificate's serial number in hexadecimal.
func SerialOf(c *x509.Certificate) string { return c.SerialNumber.Text(16) }

// KeyHash names the public key of a certificate.
func KeyHash(c *x509.Certificate) []byte {
	sum := sha256.Sum256(c.RawSubjectPublicKeyInfo)
	return sum[:]
}

// Network is what a certificate is judged by.
type Network struct {
	ID          string // empty: no fleet file is in force yet
	Authorities []Authority
	Records     Records
	Proven      *Proven // of these authorities and records alone; nil: every signature is looked at anew
}

// Proven notes which recorded certificates were found to be signed by one of the
// authorities, which stays true. That costs a good part of a handshake, and each
// device is judged twice when it connects and once a minute while it stays.
type Proven struct{ certificates sync.Map } // *x509.Certificate of a record

func (p *Proven) has(c *x509.Certificate) bool {
	if p == nil {
		return false
	}
	_, has := p.certificates.Load(c)
	return has
}

func (p *Proven) add(c *x509.Certificate) {
	if p != nil {
		p.certificates.Store(c, nil)
	}
}

// Judge says which beacon a device may speak as, by the certificate that it has
// shown and whose key it has proved to hold; nil: it has shown none.
func (n Network) Judge(shown *x509.Certificate, now time.Time) (beacon string, reason Reason) {
	record, reason := n.find(shown)
	switch {
	case reason != Accepted:
		return "", reason
	case now.Before(shown.NotBefore):
		return "", NotYet
	case !now.Before(shown.NotAfter):
		return "", Expired
	}
	return record.Beacon, Accepted
}

// find finds what the database knows of a certificate that counts, or counted
// until it was over.
func (n Network) find(shown *x509.Certificate) (Record, Reason) {
	if shown == nil {
		return Record{}, NoCertificate
	}
	record, known := n.Records[SerialOf(shown)]
	known = known && bytes.Equal(record.Certificate.Raw, shown.Raw)
	if !known || !n.Proven.has(record.Certificate) {
		if !n.signed(shown) {
			return Record{}, UnknownAuthority
		}
		if known {
			n.Proven.add(record.Certificate)
		}
	}
	if !slices.Equal(shown.Subject.Organization, []string{n.ID}) {
		return Record{}, OtherNetwork
	}
	if !known || record.Beacon != shown.Subject.CommonName {
		return Record{}, NeverIssued
	}
	if !record.Revoked.IsZero() {
		return record, Revoked
	}
	return record, Accepted
}

// signed says whether one of the authorities has made a certificate for a device,
// at whatever time.
func (n Network) signed(shown *x509.Certificate) bool {
	roots := x509.NewCertPool()
	for _, a := range n.Authorities {
		roots.AddCert(a.Certificate)
	}
	_, err := shown.Verify(x509.VerifyOptions{
		Roots: roots, CurrentTime: shown.NotBefore, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	})
	return err == nil
}

// Grace is how long after its end a certificate can be renewed with an
// operator's consent.
const Grace = 180 * 24 * time.Hour

// RenewalDue says whether a certificate has a third of its life left, or less.
func RenewalDue(c *x509.Certificate, now time.Time) bool {
	return c.NotAfter.Sub(now) <= c.NotAfter.Sub(c.NotBefore)/3
}

// Renew says whether a device may have another certificate.
func (n Network) Renew(shown *x509.Certificate, now time.Time) (Record, Reason) {
	record, reason := n.find(shown)
	switch {
	case reason != Accepted:
		return record, reason
	case !RenewalDue(shown, now):
		return record, NotDue
	case now.Before(shown.NotAfter):
		return record, Accepted
	case now.Sub(shown.NotAfter) > Grace:
		return record, LongOver
	case now.Before(record.Readmit):
		return record, Accepted
	}
	return record, NeedsConsent
}
