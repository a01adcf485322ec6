package main

import (
	"crypto/tls"
	"crypto/x509"
	"net"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"lamplighter/coordinator/app"
	"lamplighter/coordinator/fault"
	"lamplighter/proto/enrolment"
)

// secureFlags say how a coordinator's connections are encrypted.
type secureFlags struct {
	TLS            bool   `name:"tls" help:"Encrypt all connections, and have agents prove by certificate who they are. Needed where other computers can connect."`
	TLSCertificate string `name:"tls-certificate" type:"path" placeholder:"FILE" help:"Certificate chain (PEM) for --grpc and --http; without it the coordinator certifies itself, and DIR/authorities.pem says whom to trust. Read anew when it changes."`
	TLSKey         string `name:"tls-key" type:"path" placeholder:"FILE" help:"Private key (PEM) of --tls-certificate."`
	Host           string `placeholder:"NAME" help:"The name at which others reach this computer, for certificates and for what agents are told."`
	Devices        string `placeholder:"ADDR" default:"127.0.0.1:7642" help:"With --tls, where devices are enrolled, and speak MQTT over WebSockets (default ${default})."`
	AgentsBroker   string `placeholder:"URL" help:"With --broker and --tls, where agents reach that broker: ssl://HOST:PORT or wss://HOST:PORT/mqtt."`
}

// secure puts them into the options of a coordinator.
func (f secureFlags) secure(options *app.Options) {
	options.Secure = app.Secure{
		On: f.TLS, Certificate: f.TLSCertificate, Key: f.TLSKey, Name: f.Host, Devices: f.Devices, AgentsBroker: f.AgentsBroker,
	}
}

// maxAuthorities is the size in bytes of the largest file of authorities.
const maxAuthorities = 1 << 20

// credentials are how a command speaks with the coordinator: in the open only
// within this computer, and only if no authority is named.
func (s serverFlag) credentials() (credentials.TransportCredentials, error) {
	host, _, err := net.SplitHostPort(s.Server)
	if err != nil {
		return nil, fault.New(fault.Usage, "--server", "%q is no address; write HOST:PORT", s.Server)
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if s.Authority == "" {
		if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
			return insecure.NewCredentials(), nil
		}
		return credentials.NewTLS(config), nil // certified by whom this computer trusts anyway
	}
	text, err := readFile(s.Authority, maxAuthorities)
	if err != nil {
		return nil, err
	}
	config.RootCAs, config.ServerName = x509.NewCertPool(), enrolment.ServerName
	if !config.RootCAs.AppendCertsFromPEM(text) {
		return nil, fault.New(fault.Invalid, "--authority", "%s holds no certificate; take authorities.pem from the coordinator's folder", s.Authority)
	}
	return credentials.NewTLS(config), nil
}
