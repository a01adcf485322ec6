package app

import (
	"fmt"
	"log/slog"
	"net"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/web"
)

// Options are the settings of a coordinator. Dir and Log are required.
type Options struct {
	Dir      string // signing key, and the private database where there is no URL
	Database string // a Postgres URL; empty: a private one in Dir
	Broker   string // tcp://HOST:PORT of an MQTT broker; empty: one in this process

	// Where to listen, HOST:PORT, on loopback unless Secure is on; port 0 is any
	// free one. MQTT counts only for the broker in this process.
	GRPC, HTTP, MQTT string
	Secure           Secure

	// Open lets everybody do everything who comes from this computer without
	// saying who they are. For the demo and for trials.
	Open bool

	OpenID *web.OpenID // a provider that people log in through; nil: none

	Fleet *FleetFile // to be put in force at the start; nil: what is in force

	HealthDays int // how long raw health is kept; 0: 90

	Log *slog.Logger
}

// FleetFile is a fleet file that was read from somewhere.
type FleetFile struct{ Name, YAML string }

// check says what is wrong with the options.
func (o Options) check() error {
	if o.Dir == "" {
		return fault.New(fault.Usage, "--dir", "name the folder that the coordinator keeps its things in")
	}
	if days := o.healthDays(); days < LeastHealthDays {
		return fault.New(fault.Usage, "--health-days", "raw health has to be kept for at least %d days: agents may bring what is a week old", LeastHealthDays)
	}
	if err := o.checkOpen(); err != nil {
		return err
	}
	if err := o.checkSecure(); err != nil {
		return err
	}
	addresses := []struct{ flag, value string }{{"--grpc", o.GRPC}, {"--http", o.HTTP}}
	if o.Broker == "" {
		addresses = append(addresses, struct{ flag, value string }{"--mqtt", o.MQTT})
	}
	for _, address := range addresses {
		if err := checkLoopback(address.flag, address.value); err != nil && !o.Secure.On {
			return err
		}
	}
	return nil
}

// checkLoopback refuses an address that other machines can reach.
func checkLoopback(flag, address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fault.New(fault.Usage, flag, "%q is no address to listen on; write HOST:PORT, such as 127.0.0.1:0 for any free port", address)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fault.New(fault.Usage, flag, "other computers could reach the coordinator at %s, and listen to what is said: encrypt it with --tls, or give an address of this computer alone, such as 127.0.0.1:PORT", address)
	}
	return nil
}

// listen opens an address that check has accepted.
func listen(flag, address string) (net.Listener, error) {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: another program may have the port; end it, or choose another", flag, err)
	}
	return listener, nil
}
