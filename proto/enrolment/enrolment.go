// Package enrolment is what coordinator and agent agree on when a device is let
// in: the token that a person carries from one to the other, the name under
// which a coordinator shows itself to devices, and where on it they ask.
//
// A device trusts nothing but the token. It holds a secret, by which the
// coordinator knows the device, and the fingerprint of the coordinator's
// certificate authority, by which the device knows the coordinator: whoever
// stands between them has neither.
package enrolment

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"fmt"
	"io"
	"strings"
)

// ServerName is the name in the certificate that coordinators and brokers show
// to devices, whatever their address is.
const ServerName = "lamplighter.internal"

// Where devices ask: the first two by POST, the others by GET.
const (
	EnrolPath = "/device/enrol"
	RenewPath = "/device/renew"
	// ConfigurationPath is the configuration that a device would be given now.
	ConfigurationPath = "/device/configuration"
	// MQTTPath is where they speak MQTT over a WebSocket.
	MQTTPath = "/mqtt"
)

// ContentType is that of requests and answers; a refusal is plain text.
const ContentType = "application/x-protobuf"

// MaxBytes is the size of the largest request that is read, and MaxAnswerBytes
// of the largest answer.
const (
	MaxBytes       = 16 << 10
	MaxAnswerBytes = 2 << 20
)

const (
	secretBytes = 16
	pinBytes    = 16 // of a SHA-256: 2^128 tries for another authority with the same
)

// Token lets one device in, once. It is printed once and never logged.
type Token struct {
	secret [secretBytes]byte
	pin    [pinBytes]byte
}

// NewToken makes a token from a secure source of random bytes, for a coordinator
// whose certificate authority has the certificate given in DER.
func NewToken(random io.Reader, authority []byte) (Token, error) {
	t := Token{pin: pin(authority)}
	if _, err := io.ReadFull(random, t.secret[:]); err != nil {
		return Token{}, fmt.Errorf("no random bytes for a token: %w", err)
	}
	return t, nil
}

func pin(authority []byte) (p [pinBytes]byte) {
	sum := sha256.Sum256(authority)
	copy(p[:], sum[:])
	return p
}

// Secret is what the coordinator is shown.
func (t Token) Secret() []byte { return t.secret[:] }

// Names says whether the token names this certificate authority, given in DER.
func (t Token) Names(authority []byte) bool {
	p := pin(authority)
	return subtle.ConstantTimeCompare(p[:], t.pin[:]) == 1
}

var alphabet = base32.StdEncoding.WithPadding(base32.NoPadding)

// letters is how many a token has, and group how many stand together.
const (
	letters = ((secretBytes+pinBytes)*8 + 4) / 5
	group   = 4
)

// Words is the token as it is shown to a person: 52 letters and digits in groups
// of four.
func (t Token) Words() string {
	text := strings.ToLower(alphabet.EncodeToString(append(t.secret[:], t.pin[:]...)))
	var words []string
	for ; len(text) > group; text = text[group:] {
		words = append(words, text[:group])
	}
	return strings.Join(append(words, text), "-")
}

// Format says that it is a token, and nothing of it, whatever the verb.
func (Token) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, "enrolment token") }

// ParseToken reads what Words writes, however it is spaced. The error never
// repeats it.
func ParseToken(text string) (Token, error) {
	var t Token
	if len(text) > 4*letters {
		return t, fmt.Errorf("a token has %d letters and digits, and this is much longer", letters)
	}
	plain := strings.Map(func(r rune) rune {
		switch r {
		case '-', ' ', '\t', '\r', '\n':
			return -1
		}
		return r
	}, strings.ToUpper(text))
	raw, err := alphabet.DecodeString(plain)
	if err != nil || len(plain) != letters {
		return t, fmt.Errorf("this is no token: one has %d letters a to z and digits 2 to 7; take it anew from lamplighter enrol", letters)
	}
	copy(t.secret[:], raw[:secretBytes])
	copy(t.pin[:], raw[secretBytes:])
	return t, nil
}
