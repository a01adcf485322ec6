// Package setup is the file that brings a new agent all that it needs to take
// part: where the broker is, who it is, whose signatures count, and what its
// licence allows. A coordinator writes it, an agent reads it.
//
// The part that a person may edit stands first; what is signed can't be edited
// without the keyer refusing it.
package setup

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// MaxBytes is the size of the largest file that is read.
const MaxBytes = 1 << 20

// File is an agent's configuration.
type File struct {
	Network        string         `yaml:"network"`
	Site           string         `yaml:"site"`
	Beacon         string         `yaml:"beacon"`
	Broker         string         `yaml:"broker"`                   // tcp://HOST:PORT, also ssl:// and wss://
	Folder         string         `yaml:"folder"`                   // where outbox and state are kept
	HealthSeconds  int            `yaml:"health_seconds,omitempty"` // between health samples; 0 is 30
	Clock          Clock          `yaml:"clock"`
	Transmitter    Transmitter    `yaml:"transmitter"`
	Sensors        Sensors        `yaml:"sensors,omitempty"`
	Identity       *Identity      `yaml:"identity,omitempty"` // nil: no encryption, on one machine
	CoordinatorKey CoordinatorKey `yaml:"coordinator_key"`
	Envelope       string         `yaml:"envelope"` // a sealed envelope, base64
}

// Identity is by what the device proves who it is.
type Identity struct {
	Folder      string `yaml:"folder"`      // with its key and certificate
	Coordinator string `yaml:"coordinator"` // HOST:PORT where the certificate is renewed
}

// CoordinatorKey is the key whose signatures count.
type CoordinatorKey struct {
	ID     string `yaml:"id"`
	Public string `yaml:"public"` // base64
}

// Encode writes the file.
func (f *File) Encode() ([]byte, error) {
	text, err := yaml.Marshal(f)
	if err != nil {
		return nil, fmt.Errorf("agent configuration: %w", err)
	}
	head := "# Configuration of one Lamplighter agent. Whoever has this file can speak for the\n" +
		"# beacon: keep it readable by the agent alone.\n"
	return append([]byte(head), text...), nil
}

// Decode reads and checks a file. The error says what is wrong, where, and
// what would be right; file is its name.
func Decode(file string, text []byte) (*File, error) {
	if len(text) > MaxBytes {
		return nil, fmt.Errorf("%s: %d bytes, and an agent configuration has at most %d", file, len(text), MaxBytes)
	}
	var f File
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(&f); err != nil {
		return nil, fmt.Errorf("%s: %s", file, yaml.FormatError(err, false, true))
	}
	if err := f.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return &f, nil
}

func (f *File) check() error {
	for _, id := range []struct{ key, value string }{{"network", f.Network}, {"site", f.Site}, {"beacon", f.Beacon}} {
		if err := topic.CheckID(id.value); err != nil {
			return fmt.Errorf("%s: %w", id.key, err)
		}
	}
	if u, err := url.Parse(f.Broker); err != nil || u.Host == "" {
		return fmt.Errorf("broker: %q is no address; write tcp://HOST:PORT", f.Broker)
	}
	if err := checkBroker(f.Broker, f.Identity); err != nil {
		return err
	}
	if f.Folder == "" {
		return fmt.Errorf("folder: missing; name the folder for the agent's outbox and state")
	}
	if f.HealthSeconds < 0 || f.HealthSeconds > 300 {
		return fmt.Errorf("health_seconds: %d, and it must lie between 1 and 300", f.HealthSeconds)
	}
	if f.Clock.Source == "" || f.Transmitter.Driver == "" {
		return fmt.Errorf("clock.source and transmitter.driver must both be stated")
	}
	if err := f.Clock.check(); err != nil {
		return fmt.Errorf("clock.%w", err)
	}
	if err := f.Transmitter.Check(); err != nil {
		return err
	}
	if err := f.checkReference(); err != nil {
		return err
	}
	if err := f.Sensors.check(); err != nil {
		return fmt.Errorf("sensors.%w", err)
	}
	if _, err := f.Keyring(); err != nil {
		return err
	}
	if _, err := f.SealedEnvelope(); err != nil {
		return err
	}
	return nil
}

// checkBroker refuses to speak in the open with another machine.
func checkBroker(broker string, identity *Identity) error {
	u, err := url.Parse(broker)
	if err != nil {
		return err
	}
	switch u.Scheme {
	case "tcp":
		if host := u.Hostname(); host != "localhost" && host != "::1" && (!strings.HasPrefix(host, "127.") || strings.Trim(host, "0123456789.") != "") {
			return fmt.Errorf("broker: %s is another machine, and what is said to it must be encrypted; write ssl:// or wss://", broker)
		}
	case "ssl", "wss":
	default:
		return fmt.Errorf("broker: %q; write ssl://HOST:PORT or wss://HOST:PORT/mqtt, or tcp:// on one machine", broker)
	}
	if identity != nil && (identity.Folder == "" || identity.Coordinator == "") {
		return fmt.Errorf("identity: folder and coordinator must both be stated")
	}
	return nil
}

// Secured says whether the broker is spoken with under encryption.
func (f *File) Secured() bool { return !strings.HasPrefix(f.Broker, "tcp:") }

// Health is the time between health samples.
func (f *File) Health() time.Duration {
	if f.HealthSeconds == 0 {
		return 30 * time.Second
	}
	return time.Duration(f.HealthSeconds) * time.Second
}

// Keyring holds the coordinator's key.
func (f *File) Keyring() (seal.Keyring, error) {
	key, err := seal.ParsePublicKey(f.CoordinatorKey.Public)
	if err != nil {
		return seal.Keyring{}, fmt.Errorf("coordinator_key.public: %w", err)
	}
	if key.ID() != f.CoordinatorKey.ID {
		return seal.Keyring{}, fmt.Errorf("coordinator_key: the id is %q, and that of the public key is %q; take both from the coordinator again", f.CoordinatorKey.ID, key.ID())
	}
	return seal.NewKeyring(key), nil
}

// SealedEnvelope is the envelope as the coordinator sealed it.
func (f *File) SealedEnvelope() ([]byte, error) {
	sealed, err := base64.StdEncoding.DecodeString(f.Envelope)
	if err != nil || len(sealed) == 0 {
		return nil, fmt.Errorf("envelope: no base64; take the file from the coordinator again")
	}
	return sealed, nil
}

// SetEnvelope stores a sealed envelope.
func (f *File) SetEnvelope(sealed []byte) { f.Envelope = base64.StdEncoding.EncodeToString(sealed) }
