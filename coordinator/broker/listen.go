package broker

import (
	"fmt"
	"net"
	"sync/atomic"
	"time"
)

// patience is how long a client may take to say who it is, and to take one
// write.
const patience = 10 * time.Second

// checkLoopback refuses an address that others than this machine can reach.
func checkLoopback(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("%q is no address to listen on: write HOST:PORT, such as 127.0.0.1:1883", address)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("the MQTT broker would listen on %q, where other machines can reach it, and without TLS agents can't prove who they are: write 127.0.0.1:PORT, or have it encrypted", address)
	}
	return nil
}

// impatientListener accepts connections that give up on a client that is slow.
type impatientListener struct{ net.Listener }

func (l impatientListener) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &impatientConn{Conn: conn}, conn.SetReadDeadline(time.Now().Add(patience))
}

// impatientConn has a deadline of its own for each write. The library sets one
// deadline for both directions, anew with each packet that it reads, so that a
// client which talks but does not listen would never run into it.
//
// A deadline that hardly differs from the one before is not set: of thousands of
// agents that say little, each at the same times, setting them costs as much as
// reading what they say.
type impatientConn struct {
	net.Conn
	readBy, writeBy atomic.Int64 // nanoseconds of Unix time
}

// SetDeadline sets that of reading, up to a sixteenth sooner.
func (c *impatientConn) SetDeadline(t time.Time) error {
	if later := t.Sub(time.Unix(0, c.readBy.Load())); !t.IsZero() && later >= 0 && later < time.Until(t)/16 {
		return nil
	}
	c.readBy.Store(t.UnixNano())
	return c.SetReadDeadline(t)
}

// Write gives up when the other end takes nothing for ten seconds, or five at the
// least.
func (c *impatientConn) Write(b []byte) (int, error) {
	if now := time.Now(); c.writeBy.Load() < now.Add(patience/2).UnixNano() {
		by := now.Add(patience)
		if err := c.SetWriteDeadline(by); err != nil {
			return 0, err
		}
		c.writeBy.Store(by.UnixNano())
	}
	n, err := c.Conn.Write(b)
	if err != nil {
		_ = c.Close() // part of a message may be out: nothing sensible can follow it
	}
	return n, err
}
