package setup

import (
	"bytes"
	"fmt"
	"net/url"

	"github.com/goccy/go-yaml"

	"lamplighter/proto/topic"
)

// Receiver is the configuration of the device of a receiver, which brings
// reception reports and does nothing else.
type Receiver struct {
	Network  string    `yaml:"network"`
	Receiver string    `yaml:"receiver"`
	Callsign string    `yaml:"callsign"` // as it stands in its reports
	Broker   string    `yaml:"broker"`   // tcp://HOST:PORT, also ssl:// and wss://
	Identity *Identity `yaml:"identity,omitempty"`
}

// IsReceiver says whether a configuration is of a receiver, and not of a beacon.
func IsReceiver(text []byte) bool {
	var named struct {
		Receiver string `yaml:"receiver"`
	}
	return len(text) <= MaxBytes && yaml.Unmarshal(text, &named) == nil && named.Receiver != ""
}

// Encode writes the configuration.
func (r *Receiver) Encode() ([]byte, error) {
	text, err := yaml.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("receiver's configuration: %w", err)
	}
	return append([]byte("# Configuration of a receiver that brings its reports to Lamplighter.\n"), text...), nil
}

// DecodeReceiver reads and checks a configuration. The error says what is wrong;
// file is its name.
func DecodeReceiver(file string, text []byte) (*Receiver, error) {
	if len(text) > MaxBytes {
		return nil, fmt.Errorf("%s: %d bytes, and a receiver's configuration has at most %d", file, len(text), MaxBytes)
	}
	var r Receiver
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(&r); err != nil {
		return nil, fmt.Errorf("%s: %s", file, yaml.FormatError(err, false, true))
	}
	for _, id := range []struct{ key, value string }{{"network", r.Network}, {"receiver", r.Receiver}} {
		if err := topic.CheckID(id.value); err != nil {
			return nil, fmt.Errorf("%s: %s: %w", file, id.key, err)
		}
	}
	if u, err := url.Parse(r.Broker); err != nil || u.Host == "" {
		return nil, fmt.Errorf("%s: broker: %q is no address; write ssl://HOST:PORT", file, r.Broker)
	}
	if err := checkBroker(r.Broker, r.Identity); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return &r, nil
}
