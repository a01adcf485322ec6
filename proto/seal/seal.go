// Package seal signs what a coordinator says and checks what an agent hears.
//
// A sealed message is {key id, payload, signature}. The signature is Ed25519
// (RFC 8032) over
//
//	"lamplighter seal 1" 0x00 purpose 0x00 network 0x00 beacon 0x00 payload
//
// so that orders for one beacon can't be passed off as another's, nor a receipt
// as a lease: purpose, network and beacon hold no zero byte, which makes the
// parts unambiguous. The payload is signed and checked as the exact bytes that
// travel; nobody writes it anew on the way.
//
// Nothing that fails a check here may have any effect but to be counted.
package seal

import (
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/proto"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/planted"
)

// Purpose says what a sealed message is for.
type Purpose string

// The purposes.
const (
	Orders   Purpose = "orders"
	Lease    Purpose = "lease"
	Hush     Purpose = "hush"
	Receipt  Purpose = "receipt"
	Envelope Purpose = "envelope"
	Page     Purpose = "page" // for people, of no beacon
)

// MaxBytes is the size of the largest sealed message that is looked at.
const MaxBytes = 1<<20 + 1<<10

const preamble = "lamplighter seal 1"

// Reason says why a sealed message was refused.
type Reason string

// The reasons.
const (
	TooLarge     Reason = "too_large"
	Garbled      Reason = "garbled"
	UnknownKey   Reason = "unknown_key"
	BadSignature Reason = "bad_signature"
)

// Refusal is the error for a sealed message that must have no effect.
type Refusal struct {
	Reason   Reason
	Sentence string
}

func (r *Refusal) Error() string { return r.Sentence }

// PublicKey is a coordinator's public signing key.
type PublicKey struct{ key ed25519.PublicKey }

// ParsePublicKey reads the base64 form that String writes.
func ParsePublicKey(text string) (PublicKey, error) {
	raw, err := base64.StdEncoding.DecodeString(text)
	if err != nil || len(raw) != ed25519.PublicKeySize {
		return PublicKey{}, fmt.Errorf("a public key is %d bytes in base64, and this is something else", ed25519.PublicKeySize)
	}
	return PublicKey{raw}, nil
}

// String is the key in base64.
func (k PublicKey) String() string { return base64.StdEncoding.EncodeToString(k.key) }

// ID names the key: the first 16 hexadecimal digits of its SHA-256.
func (k PublicKey) ID() string {
	sum := sha256.Sum256(k.key)
	return hex.EncodeToString(sum[:8])
}

// Signer seals with a private key.
type Signer struct {
	key ed25519.PrivateKey
	id  string
}

// NewSigner makes a new key from a secure source of random bytes.
func NewSigner(random io.Reader) (*Signer, error) {
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(random, seed); err != nil {
		return nil, fmt.Errorf("no random bytes for a signing key: %w", err)
	}
	return signer(seed), nil
}

// ParseSigner reads the secret form that Secret writes.
func ParseSigner(text string) (*Signer, error) {
	seed, err := base64.StdEncoding.DecodeString(strings.TrimSpace(text))
	if err != nil || len(seed) != ed25519.SeedSize {
		return nil, fmt.Errorf("a signing key is %d bytes in base64, and this is something else", ed25519.SeedSize)
	}
	return signer(seed), nil
}

func signer(seed []byte) *Signer {
	key := ed25519.NewKeyFromSeed(seed)
	s := &Signer{key: key}
	s.id = s.Public().ID()
	return s
}

// Secret is the private key in base64. Whoever has it can key transmitters.
func (s *Signer) Secret() string { return base64.StdEncoding.EncodeToString(s.key.Seed()) }

// Public is the key that agents are given.
func (s *Signer) Public() PublicKey { return PublicKey{s.key.Public().(ed25519.PublicKey)} }

// Seal signs a payload for one beacon and returns the serialised Sealed.
func (s *Signer) Seal(purpose Purpose, network, beacon string, payload []byte) []byte {
	return sealed(s.id, payload, ed25519.Sign(s.key, signed(purpose, network, beacon, payload)))
}

func sealed(key string, payload, signature []byte) []byte {
	message, err := proto.Marshal(&wirev1.Sealed{KeyId: key, Payload: payload, Signature: signature})
	if err != nil { // only a string that is not UTF-8 could cause it, and the key id is hexadecimal
		panic(err)
	}
	return message
}

// Keyring holds the public keys whose signatures count.
type Keyring struct {
	byID   map[string]PublicKey
	sealed map[[sha256.Size]byte]bool // what it sealed itself; nil: it signs and checks all
}

// NewKeyring makes a keyring.
func NewKeyring(keys ...PublicKey) Keyring {
	ring := Keyring{byID: make(map[string]PublicKey, len(keys))}
	for _, key := range keys {
		ring.byID[key.ID()] = key
	}
	return ring
}

// Remembering is the same keyring for where whole fleets live in one program: it
// spares the arithmetic of signatures. What it sealed itself it remembers, and
// has no need to check; all else it checks, and a message of its own that was
// altered or is passed off as another's is something else. No other keyring
// believes what it seals. It is not safe for concurrent use.
func (r Keyring) Remembering() Keyring { return Keyring{r.byID, map[[sha256.Size]byte]bool{}} }

// Seal seals with a signer, whose key the keyring holds.
func (r Keyring) Seal(s *Signer, purpose Purpose, network, beacon string, payload []byte) []byte {
	if _, ours := r.byID[s.id]; r.sealed == nil || !ours {
		return s.Seal(purpose, network, beacon, payload)
	}
	stand := sha512.Sum512(signed(purpose, network, beacon, payload)) // as long as a signature, and as different from another
	message := sealed(s.id, payload, stand[:])
	r.sealed[sha256.Sum256(signed(purpose, network, beacon, message))] = true
	return message
}

// Open checks a serialised Sealed and returns its payload. The error is always
// a *Refusal.
func (r Keyring) Open(purpose Purpose, network, beacon string, message []byte) ([]byte, error) {
	if r.sealed != nil && r.sealed[sha256.Sum256(signed(purpose, network, beacon, message))] {
		var own wirev1.Sealed
		if err := proto.Unmarshal(message, &own); err == nil {
			return own.GetPayload(), nil
		}
	}
	return r.check(purpose, network, beacon, message)
}

func (r Keyring) check(purpose Purpose, network, beacon string, message []byte) ([]byte, error) {
	if len(message) > MaxBytes {
		return nil, &Refusal{TooLarge, fmt.Sprintf("a sealed message of %d bytes: more than %d are never read", len(message), MaxBytes)}
	}
	var sealed wirev1.Sealed
	if err := proto.Unmarshal(message, &sealed); err != nil {
		return nil, &Refusal{Garbled, fmt.Sprintf("%d bytes that are no sealed message", len(message))}
	}
	key, ok := r.byID[sealed.GetKeyId()]
	if !ok {
		return nil, &Refusal{UnknownKey, fmt.Sprintf("%s signed with key %.32q, which is not the coordinator's", purpose, sealed.GetKeyId())}
	}
	if !ed25519.Verify(key.key, signed(purpose, network, beacon, sealed.GetPayload()), sealed.GetSignature()) && !planted.Is("S1 anybody's orders") {
		return nil, &Refusal{BadSignature, fmt.Sprintf("%s whose signature does not fit %s in network %s: forged, or meant for somebody else", purpose, beacon, network)}
	}
	return sealed.GetPayload(), nil
}

func signed(purpose Purpose, network, beacon string, payload []byte) []byte {
	var b []byte
	for _, part := range []string{preamble, string(purpose), network, beacon} {
		b = append(append(b, part...), 0)
	}
	return append(b, payload...)
}
