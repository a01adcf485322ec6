package devices

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"encoding/asn1"
)

// maxRequest is the size in bytes of the largest certificate request that is
// read. One with an elliptic key has about 300.
const maxRequest = 4 << 10

// RequestedKey reads a certificate request (PKCS #10, DER) and returns its key
// with its hash. Nothing else in it counts. The request must be signed with the
// key; it is on P-256 or Ed25519.
func RequestedKey(request []byte) (crypto.PublicKey, []byte, Reason) {
	if len(request) > maxRequest {
		return nil, nil, BadRequest
	}
	var outer asn1.RawValue
	if rest, err := asn1.Unmarshal(request, &outer); err != nil || len(rest) > 0 {
		return nil, nil, BadRequest
	}
	read, err := x509.ParseCertificateRequest(request)
	if err != nil || read.CheckSignature() != nil {
		return nil, nil, BadRequest
	}
	switch key := read.PublicKey.(type) {
	case *ecdsa.PublicKey:
		if key.Curve != elliptic.P256() {
			return nil, nil, BadRequest
		}
	case ed25519.PublicKey:
	default:
		return nil, nil, BadRequest
	}
	sum := sha256.Sum256(read.RawSubjectPublicKeyInfo)
	return read.PublicKey, sum[:], Accepted
}

// SameKey says whether a request is for the key of a certificate.
func SameKey(hash []byte, c *x509.Certificate) bool { return bytes.Equal(hash, KeyHash(c)) }
