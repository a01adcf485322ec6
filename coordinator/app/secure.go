package app

import (
	"context"
	"crypto/tls"
	"encoding/pem"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/devices/registrar"
	"lamplighter/coordinator/fault"
	"lamplighter/proto/enrolment"
)

// Secure says how connections are encrypted.
type Secure struct {
	On               bool   // all of them; required where other computers can connect
	Certificate, Key string // PEM files for GRPC and HTTP, read anew when they change; empty: certified by the coordinators' own authority
	Name             string // the host name at which others reach this coordinator; empty: where it listens, or what the computer is called
	Devices          string // HOST:PORT where devices ask to be let in, and speak MQTT over WebSockets
	AgentsBroker     string // ssl://HOST:PORT or wss://HOST:PORT/mqtt of the broker, as agents reach it; empty: as this coordinator does
}

// maxConnections bounds how many connections each of gRPC and HTTP may have.
const maxConnections = 1024

// maxDevices bounds how many there may be where devices ask.
const maxDevices = 4096 + 512

// checkSecure says what is wrong with the settings.
func (o Options) checkSecure() error {
	s := o.Secure
	switch {
	case !s.On && (s.Certificate != "" || s.Key != "" || s.AgentsBroker != ""):
		return fault.New(fault.Usage, "--tls", "certificates, and another address for agents, count only with --tls")
	case (s.Certificate == "") != (s.Key == ""):
		return fault.New(fault.Usage, "--tls-key", "give both --tls-certificate and --tls-key, or neither")
	}
	if s.On {
		if _, _, err := net.SplitHostPort(s.Devices); err != nil {
			return fault.New(fault.Usage, "--devices", "%q is no address to listen on; write HOST:PORT", s.Devices)
		}
	}
	return nil
}

// Unproven says what is let in on this computer without a proof of who it is;
// empty: nothing. Without encryption everything listens on this computer alone
// (check), where what is said can't be overheard by others; people log in all the
// same. But agents have no certificates then.
func (o Options) Unproven() string {
	if o.Secure.On || o.Broker != "" {
		return ""
	}
	return "without --tls agents on this computer connect without a certificate: whoever can run a program here can report as any beacon. Nobody can key one so: that takes signed orders. Fit for a trial, or where nobody else works on this computer"
}

// openRegistrar makes what knows the devices, and shows people which authority
// is theirs.
func (a *App) openRegistrar(ctx context.Context) (err error) {
	a.registrar, err = registrar.New(ctx, registrar.Options{
		Store: a.store, Vault: a.vault, Names: a.names(), Config: a.deviceConfig, Log: a.options.Log, Metrics: a.registry,
	})
	if unproven := a.options.Unproven(); unproven != "" {
		a.options.Log.Warn(unproven)
	}
	if err != nil || !a.options.Secure.On {
		return err
	}
	if strings.HasPrefix(a.options.Broker, "ssl:") {
		folder := filepath.Join(a.options.Dir, "broker")
		if err := a.registrar.KeepBrokerFiles(folder); err != nil {
			return err
		}
		a.options.Log.Info("whom the broker is to let in stands here", "folder", folder)
	}
	if a.options.Secure.Certificate != "" {
		if a.filed, err = newFiled(a.options.Secure.Certificate, a.options.Secure.Key, a.options.Log); err != nil {
			return err
		}
	}
	var text []byte
	for _, der := range a.registrar.Authorities() {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})...)
	}
	return os.WriteFile(filepath.Join(a.options.Dir, "authorities.pem"), text, 0o644) //nolint:gosec // for everybody to read
}

// names are what this coordinator is called in its certificate.
func (a *App) names() []string {
	names := []string{"localhost"}
	if a.options.Secure.Name != "" {
		names = append(names, a.options.Secure.Name)
	}
	if host, err := os.Hostname(); err == nil && host != a.options.Secure.Name {
		names = append(names, host)
	}
	return names
}

// secured is a listener with its limit, encrypted if all is.
func (a *App) secured(plain net.Listener) net.Listener {
	capped := broker.NewCapped(plain, maxConnections)
	if !a.options.Secure.On {
		return capped
	}
	config := a.registrar.PeopleTLS()
	if a.filed != nil {
		config.GetCertificate = a.filed.get
	}
	return tls.NewListener(capped, config)
}

// serveDevices listens to devices that ask to be let in.
func (a *App) serveDevices(context.Context) error {
	a.running.Go(func() { a.registrar.Run(a.lifetime) })
	if !a.options.Secure.On {
		return nil
	}
	mux := http.NewServeMux()
	a.registrar.Handle(mux)
	mux.HandleFunc("GET "+enrolment.MQTTPath, a.speakMQTT)
	a.enrolling = &http.Server{
		Handler: mux, ReadHeaderTimeout: askWithin, ReadTimeout: 2 * askWithin, WriteTimeout: answerWithin,
		IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: nil,
	}
	listener := tls.NewListener(broker.NewCapped(a.devices, maxDevices), a.registrar.EnrolmentTLS())
	a.goRun("the enrolment of devices", func() error {
		if err := a.enrolling.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	return nil
}

// speakMQTT hands a WebSocket to the broker in this process.
func (a *App) speakMQTT(w http.ResponseWriter, q *http.Request) {
	a.started.Lock()
	var through broker.Broker
	if a.network != nil {
		through = a.network.broker
	}
	a.started.Unlock()
	embedded, ok := through.(interface{ WebSocket() http.Handler })
	if !ok {
		http.Error(w, "the broker of this network is elsewhere, or no fleet file is in force yet", http.StatusServiceUnavailable)
		return
	}
	embedded.WebSocket().ServeHTTP(w, q)
}

// deviceConfig is the configuration that a device is given when it is let in.
func (a *App) deviceConfig(ctx context.Context, beacon string) (string, error) {
	current, version, err := a.fleets.Current(ctx)
	if err != nil {
		return "", err
	}
	if current != nil && current.Receiver(beacon) != nil {
		return a.receiverConfig(current, current.Receiver(beacon))
	}
	if current == nil || current.Beacon(beacon) == nil {
		return "", fault.New(fault.NotFound, "beacon", "the fleet in force has no beacon %s any more", beacon)
	}
	file, err := a.AgentConfig(current, version, current.Beacon(beacon))
	if err != nil {
		return "", err
	}
	text, err := file.Encode()
	return string(text), err
}

// deviceAddress is where devices ask, as they reach it; empty: nowhere.
func (a *App) deviceAddress() string {
	if a.devices == nil {
		return ""
	}
	return a.reachable(a.devices.Addr().String())
}

// reachable is an address at which this coordinator listens, as others write it.
func (a *App) reachable(listening string) string {
	host, port, err := net.SplitHostPort(listening)
	if err != nil {
		return listening
	}
	if a.options.Secure.Name != "" {
		return net.JoinHostPort(a.options.Secure.Name, port)
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		if name, err := os.Hostname(); err == nil {
			host = name
		}
	}
	return net.JoinHostPort(host, port)
}
