package registrar

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"slices"
	"sync"
	"time"

	"lamplighter/coordinator/devices"
	"lamplighter/proto/enrolment"
)

// shown is the certificate that this coordinator shows to others; its key is
// never written anywhere.
type shown struct {
	mu     sync.Mutex
	server *tls.Certificate
	client *tls.Certificate
}

// settings is what all our TLS has in common: version 1.2 at least, as RFC 9325
// asks for, and no resumption, so that every connection is judged anew.
func settings() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, SessionTicketsDisabled: true}
}

// PeopleTLS is for what people and their programs connect to.
func (r *Registrar) PeopleTLS() *tls.Config {
	c := settings()
	c.NextProtos = []string{"h2", "http/1.1"}
	c.GetCertificate = r.serverCertificate
	return c
}

// EnrolmentTLS is for where devices ask to be let in: a certificate may be
// shown, and is judged with what is asked.
func (r *Registrar) EnrolmentTLS() *tls.Config {
	c := settings()
	c.NextProtos = []string{"http/1.1"}
	c.GetCertificate, c.ClientAuth = r.serverCertificate, tls.RequestClientCert
	return c
}

// DeviceTLS is for devices that were let in. Whoever is not accepted does not
// come as far as the first byte of MQTT.
func (r *Registrar) DeviceTLS() *tls.Config {
	c := settings()
	c.GetCertificate, c.ClientAuth = r.serverCertificate, tls.RequireAnyClientCert
	c.VerifyConnection = func(state tls.ConnectionState) error {
		if _, reason := r.Admit(state.PeerCertificates[0]); reason != devices.Accepted {
			return Unaccepted{reason, state.PeerCertificates[0]}
		}
		return nil
	}
	return c
}

// Unaccepted is the end of a handshake with a device that does not count.
type Unaccepted struct {
	Reason devices.Reason
	Shown  *x509.Certificate
}

func (u Unaccepted) Error() string { return u.Reason.Sentence() }

// BrokerTLS is with what this coordinator connects to a broker outside.
func (r *Registrar) BrokerTLS() *tls.Config {
	c := settings()
	c.ServerName = enrolment.ServerName
	c.RootCAs = x509.NewCertPool()
	for _, a := range r.present().Authorities {
		c.RootCAs.AddCert(a.Certificate)
	}
	c.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
		r.shown.mu.Lock()
		defer r.shown.mu.Unlock()
		return r.fresh(&r.shown.client, func(a devices.Authority, key *ecdsa.PublicKey, now time.Time) (*x509.Certificate, error) {
			return a.Client(rand.Reader, key, now)
		})
	}
	return c
}

func (r *Registrar) serverCertificate(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	r.shown.mu.Lock()
	defer r.shown.mu.Unlock()
	return r.fresh(&r.shown.server, func(a devices.Authority, key *ecdsa.PublicKey, now time.Time) (*x509.Certificate, error) {
		return a.Server(rand.Reader, key, append([]string{enrolment.ServerName}, r.options.Names...), now)
	})
}

// fresh is the certificate kept, or another one when it is time.
func (r *Registrar) fresh(kept **tls.Certificate, sign func(devices.Authority, *ecdsa.PublicKey, time.Time) (*x509.Certificate, error)) (*tls.Certificate, error) {
	now := time.Now()
	if *kept != nil && !devices.RenewalDue((*kept).Leaf, now) {
		return *kept, nil
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	authorities := r.present().Authorities
	if len(authorities) == 0 {
		return nil, errors.New("there is no certificate authority")
	}
	authority := devices.Presenter(authorities, now)
	certificate, err := sign(authority, &key.PublicKey, now)
	if err != nil {
		return nil, err
	}
	// A device that enrols knows the authority by its fingerprint alone, and is
	// shown the certificate itself here.
	*kept = &tls.Certificate{Certificate: [][]byte{certificate.Raw, authority.Certificate.Raw}, PrivateKey: key, Leaf: certificate}
	return *kept, nil
}

// Authorities are the certificates of the authorities that count, in DER.
func (r *Registrar) Authorities() [][]byte {
	var all [][]byte
	for _, a := range r.present().Authorities {
		all = append(all, slices.Clone(a.Certificate.Raw))
	}
	return all
}
