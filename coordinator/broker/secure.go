package broker

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/devices/registrar"
)

// Devices says which beacon a device speaks as. A registrar is one.
type Devices interface {
	// DeviceTLS is how devices are spoken with: whoever does not count is
	// refused in the handshake.
	DeviceTLS() *tls.Config
	// Admit says which beacon a certificate speaks for.
	Admit(*x509.Certificate) (beacon string, reason devices.Reason)
	// Refused takes note of a device that was turned away.
	Refused(shown *x509.Certificate, reason devices.Reason, remote string)
	// OnChange sets what is called when devices may count no longer.
	OnChange(func())
}

// secureListener accepts connections over TLS. The handshake is made by whoever
// reads first, not while others wait to be accepted.
type secureListener struct {
	net.Listener
	devices Devices
	config  *tls.Config
}

func newSecureListener(inner net.Listener, d Devices) net.Listener {
	return secureListener{inner, d, d.DeviceTLS()}
}

func (l secureListener) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &secureConn{Conn: tls.Server(conn, l.config), devices: l.devices}, nil
}

// secureConn tells of a device that was refused.
type secureConn struct {
	*tls.Conn
	devices Devices
	once    sync.Once
}

func (c *secureConn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	var no registrar.Unaccepted
	if errors.As(err, &no) {
		c.once.Do(func() { c.devices.Refused(no.Shown, no.Reason, c.RemoteAddr().String()) })
	}
	return n, err
}

// certified is a connection whose other end has shown a certificate and proved
// to hold its key.
type certified interface{ ConnectionState() tls.ConnectionState }

// shown is the certificate of a client; nil: it has none.
func shown(client *mqtt.Client) *x509.Certificate {
	conn, ok := client.Net.Conn.(certified)
	if !ok {
		return nil
	}
	state := conn.ConnectionState()
	if len(state.PeerCertificates) == 0 {
		return nil
	}
	return state.PeerCertificates[0]
}

// endUnaccepted ends the connections of devices that count no longer.
func (b *embedded) endUnaccepted() {
	clients := b.feed.clients()
	for _, client := range b.server.Clients.GetAll() { // that have no session yet
		clients = append(clients, client)
	}
	for _, client := range clients {
		if client.Net.Inline || client.Net.Conn == nil {
			continue
		}
		certificate := shown(client)
		if _, reason := b.options.Devices.Admit(certificate); reason != devices.Accepted {
			b.options.Devices.Refused(certificate, reason, client.Net.Remote)
			client.Stop(packets.ErrNotAuthorized) // its reader ends, and gives its will
		}
	}
}
