package broker

import (
	"crypto/tls"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"
	"github.com/mochi-mqtt/server/v2/listeners"

	"lamplighter/coordinator/devices"
	"lamplighter/coordinator/devices/registrar"
)

// webListener takes MQTT over WebSockets (MQTT 3.1.1, section 6) from a web
// server of somebody else's, for devices behind a firewall that lets nothing
// else through.
type webListener struct {
	devices   Devices
	upgrader  websocket.Upgrader
	mu        sync.Mutex
	establish listeners.EstablishFn // nil: not serving
	ended     chan struct{}
}

func newWebListener(d Devices) *webListener {
	return &webListener{devices: d, ended: make(chan struct{}), upgrader: websocket.Upgrader{
		Subprotocols: []string{"mqtt"}, HandshakeTimeout: patience,
	}}
}

// ServeHTTP takes one connection on, for a device that was let in.
func (l *webListener) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	certificate := registrar.Shown(q)
	if _, reason := l.devices.Admit(certificate); reason != devices.Accepted {
		l.devices.Refused(certificate, reason, q.RemoteAddr)
		http.Error(w, reason.Sentence(), http.StatusForbidden)
		return
	}
	l.mu.Lock()
	establish := l.establish
	l.mu.Unlock()
	if establish == nil {
		http.Error(w, "the broker is not running", http.StatusServiceUnavailable)
		return
	}
	socket, err := l.upgrader.Upgrade(w, q, nil)
	if err != nil {
		return // it was answered
	}
	socket.SetReadLimit(maxPacketBytes)
	conn := &webConn{Conn: socket.NetConn(), socket: socket}
	defer conn.Close()                                 //nolint:errcheck // it is over
	_ = conn.SetReadDeadline(time.Now().Add(patience)) // to say who it is
	_ = establish(l.ID(), conn)                        // its end is its own affair
}

// ID names the listener.
func (l *webListener) ID() string { return "agents over WebSockets" }

// Address is not known here.
func (l *webListener) Address() string { return "" }

// Protocol is the protocol that devices speak.
func (l *webListener) Protocol() string { return "wss" }

// Init does nothing.
func (l *webListener) Init(*slog.Logger) error { return nil }

// Serve takes connections on until Close.
func (l *webListener) Serve(establish listeners.EstablishFn) {
	l.mu.Lock()
	l.establish = establish
	l.mu.Unlock()
	<-l.ended
}

// Close takes on no more connections; as with agentsListener, feed ends those that
// are there.
func (l *webListener) Close(listeners.CloseFn) {
	l.mu.Lock()
	l.establish = nil
	l.mu.Unlock()
	close(l.ended)
}

// webConn is a WebSocket as a stream of bytes.
type webConn struct {
	net.Conn // of the WebSocket: addresses, deadlines and the certificate
	socket   *websocket.Conn
	message  io.Reader // being read; nil: the next one
}

func (c *webConn) Read(b []byte) (int, error) {
	for {
		if c.message == nil {
			kind, message, err := c.socket.NextReader()
			if err != nil {
				return 0, err
			}
			if kind != websocket.BinaryMessage {
				return 0, errors.New("a WebSocket message that is not binary")
			}
			c.message = message
		}
		n, err := c.message.Read(b)
		if err == nil || !errors.Is(err, io.EOF) {
			return n, err
		}
		c.message = nil
		if n > 0 {
			return n, nil
		}
	}
}

func (c *webConn) Write(b []byte) (int, error) {
	if err := c.socket.SetWriteDeadline(time.Now().Add(patience)); err != nil {
		return 0, err
	}
	if err := c.socket.WriteMessage(websocket.BinaryMessage, b); err != nil {
		_ = c.Close()
		return 0, err
	}
	return len(b), nil
}

// ConnectionState is that of the TLS below.
func (c *webConn) ConnectionState() tls.ConnectionState {
	if below, ok := c.Conn.(certified); ok {
		return below.ConnectionState()
	}
	return tls.ConnectionState{}
}

// SetDeadline sets the one for reading; each write has its own.
func (c *webConn) SetDeadline(t time.Time) error { return c.SetReadDeadline(t) }
