package deliver

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"net"
	"net/mail"
	"net/url"
	"os"

	"github.com/goccy/go-yaml"
	"github.com/nicholas-fedor/shoutrrr"

	"lamplighter/coordinator/fault"
)

// File is the name of the file with the settings, in the coordinator's folder.
const File = "delivery.yaml"

// mostSettings bounds the file, in bytes.
const mostSettings = 1 << 20

// Settings say how recipients are reached. The zero value reaches none but those
// of the MQTT topic.
type Settings struct {
	Mail      *Mail             `yaml:"mail"`
	Webhooks  map[string]Hook   `yaml:"webhooks"` // by the name in the fleet file
	Services  map[string]string `yaml:"services"` // addresses of chat and push services, likewise
	Heartbeat *Heartbeat        `yaml:"heartbeat"`
}

// Mail is the server that takes mail.
type Mail struct {
	Server    string `yaml:"server"`    // HOST:PORT
	TLS       string `yaml:"tls"`       // starttls (also where empty), implicit, or none on this computer
	Authority string `yaml:"authority"` // file with the certificate that the server's was signed with; empty: a public one
	From      string `yaml:"from"`
	User      string `yaml:"user"` // empty: without logging in
	Password  string `yaml:"password"`
}

// Hook is where a program takes messages.
type Hook struct {
	URL string `yaml:"url"`
	Key string `yaml:"key"` // messages are signed with it
}

// Heartbeat is where somebody outside waits for word of the coordinator.
type Heartbeat struct {
	URL          string `yaml:"url"`
	EverySeconds int    `yaml:"every_seconds"` // 0: 60
}

// ReadSettings reads and checks the file. Where there is none nothing is set.
func ReadSettings(file string) (Settings, error) {
	var settings Settings
	opened, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return settings, nil
	}
	if err != nil {
		return settings, fault.New(fault.Refused, file, "%w", err)
	}
	defer opened.Close() //nolint:errcheck // only read
	if about, err := opened.Stat(); err != nil || about.Mode().Perm()&0o077 != 0 {
		return settings, fault.New(fault.Refused, file, "others can read the passwords and keys in it: chmod 600")
	}
	text, err := io.ReadAll(io.LimitReader(opened, mostSettings))
	if err != nil {
		return settings, fault.New(fault.Refused, file, "%w", err)
	}
	if settings, err = ParseSettings(text); err != nil {
		return settings, fault.New(fault.Invalid, file, "%w", err)
	}
	return settings, nil
}

// ParseSettings reads the text of a file with settings.
func ParseSettings(text []byte) (Settings, error) {
	var s Settings
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(&s); err != nil && !errors.Is(err, io.EOF) {
		return s, fault.New(fault.Invalid, "", "it can't be read: %w", err)
	}
	if err := s.Mail.check(); err != nil {
		return s, err
	}
	for name, hook := range s.Webhooks {
		if err := checkURL("webhooks."+name+".url", hook.URL); err != nil {
			return s, err
		}
		if len(hook.Key) < 16 {
			return s, fault.New(fault.Invalid, "webhooks."+name+".key", "needs at least 16 characters that nobody can guess")
		}
	}
	for name, address := range s.Services {
		if _, err := shoutrrr.CreateSender(address); err != nil { // its text may repeat secrets of the address
			return s, fault.New(fault.Invalid, "services."+name, "is no address of a chat or push service that is known here")
		}
	}
	if s.Heartbeat != nil {
		if s.Heartbeat.EverySeconds < 0 || s.Heartbeat.EverySeconds > 3600 {
			return s, fault.New(fault.Invalid, "heartbeat.every_seconds", "must be 1 to 3600")
		}
		return s, checkURL("heartbeat.url", s.Heartbeat.URL)
	}
	return s, nil
}

func (m *Mail) check() error {
	if m == nil {
		return nil
	}
	host, _, err := net.SplitHostPort(m.Server)
	if err != nil {
		return fault.New(fault.Invalid, "mail.server", "must be HOST:PORT, not %q", m.Server)
	}
	if _, err := mail.ParseAddress(m.From); err != nil {
		return fault.New(fault.Invalid, "mail.from", "must be an address, not %q", m.From)
	}
	switch m.TLS {
	case "", "starttls", "implicit":
		return nil
	case "none":
		if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
			return nil
		}
		return fault.New(fault.Invalid, "mail.tls", "none would send mail and password in the open: use starttls or implicit")
	}
	return fault.New(fault.Invalid, "mail.tls", "must be starttls, implicit or none, not %q", m.TLS)
}

func checkURL(field, text string) error {
	address, err := url.Parse(text)
	if err != nil || address.Host == "" || address.Scheme != "https" && address.Scheme != "http" {
		return fault.New(fault.Invalid, field, "must be the address of a page, https://…")
	}
	if ip := net.ParseIP(address.Hostname()); address.Scheme == "http" && address.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fault.New(fault.Invalid, field, "http would send messages in the open: use https")
	}
	return nil
}
