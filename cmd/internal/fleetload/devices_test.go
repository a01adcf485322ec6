package fleetload

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/vault"
	"lamplighter/proto/enrolment"
)

// trusted is a pool of the coordinator's authorities, as it shows them to people.
func (c *coordinator) trusted() *x509.CertPool {
	c.t.Helper()
	text, err := os.ReadFile(filepath.Join(c.dir, "c", "authorities.pem"))
	if err != nil {
		c.t.Fatal(err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(text) {
		c.t.Fatal("authorities.pem holds no certificate")
	}
	return pool
}

// agentTLS is how agents connect.
func (c *coordinator) agentTLS() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: c.trusted(), ServerName: enrolment.ServerName}
}

// equip gives every beacon a device with a key and a certificate of its own: as
// enrolment would, for all at once.
func (c *coordinator) equip() map[string]tls.Certificate {
	c.t.Helper()
	database, err := store.Open(c.t.Context(), c.databaseURL(), store.Options{})
	if err != nil {
		c.t.Fatal(err)
	}
	defer database.Close()
	secrets, err := vault.Load(filepath.Join(c.dir, "c"))
	if err != nil {
		c.t.Fatal(err)
	}
	stored, err := database.Authorities(c.t.Context())
	if err != nil || len(stored) != 1 {
		c.t.Fatalf("%d authorities, %v", len(stored), err)
	}
	sealed, err := secrets.Open("authority "+stored[0].Serial, stored[0].SealedKey)
	if err != nil {
		c.t.Fatal(err)
	}
	key, err := x509.ParsePKCS8PrivateKey(sealed)
	if err != nil {
		c.t.Fatal(err)
	}
	certificate, err := x509.ParseCertificate(stored[0].Certificate)
	if err != nil {
		c.t.Fatal(err)
	}
	authority := devices.Authority{Certificate: certificate, Key: key.(crypto.Signer)}
	equipped, rows := map[string]tls.Certificate{}, [][]any{}
	for _, beacon := range c.beacons {
		own, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			c.t.Fatal(err)
		}
		made, err := authority.Device(rand.Reader, own.Public(), c.network, beacon, time.Now())
		if err != nil {
			c.t.Fatal(err)
		}
		equipped[beacon] = tls.Certificate{Certificate: [][]byte{made.Raw}, PrivateKey: own}
		rows = append(rows, []any{devices.SerialOf(made), beacon, devices.KeyHash(made), made.Raw, made.NotAfter})
	}
	conn, err := pgx.Connect(c.t.Context(), c.databaseURL())
	if err != nil {
		c.t.Fatal(err)
	}
	defer conn.Close(c.t.Context()) //nolint:errcheck // it is over
	if _, err := conn.CopyFrom(c.t.Context(), pgx.Identifier{"device_certificates"}, []string{"serial", "beacon", "key_hash", "certificate", "not_after"}, pgx.CopyFromRows(rows)); err != nil {
		c.t.Fatal(err)
	}
	return equipped
}
