package broker

import (
	"bytes"
	"crypto/tls"
	"encoding/binary"
	"math"
	"net"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// agentConn is the connection of an agent, beneath the library. It takes out what
// the agent publishes, which is nearly all that comes of one that says much: on
// its way through the library a message is copied twice and looked at four times.
// All else, and what an agent may not publish, is the library's.
//
// It is one goroutine's: the one on which the library reads.
type agentConn struct {
	net.Conn
	// take says whether a PUBLISH, by the first byte and what follows the length,
	// is dealt with; nil: nothing is taken.
	take    func(first byte, body []byte) bool
	silence time.Duration // how long the agent may say nothing; the library counts only what it reads

	held    []byte // of a packet whose end has not come
	rest    []byte // for the library
	passing int    // bytes still to come of a packet for the library
	more    bool   // the latest bytes filled what they were read into
}

// bursts is what bytes are read into when more is there than the library asks
// for. Who says little needs none.
var bursts = sync.Pool{New: func() any { return new([8 << 10]byte) }}

// Read gives the library what is for it.
func (c *agentConn) Read(p []byte) (int, error) {
	for len(c.rest) == 0 {
		took, err := c.read(p)
		if err != nil {
			return 0, err
		}
		if took && c.silence > 0 {
			if err := c.SetDeadline(time.Now().Add(c.silence)); err != nil {
				return 0, err
			}
		}
	}
	n := copy(p, c.rest)
	if c.rest = c.rest[n:]; len(c.rest) == 0 {
		c.rest = nil
	}
	return n, nil
}

// read reads what there is, and says whether messages were taken out of it.
func (c *agentConn) read(p []byte) (took bool, err error) {
	if c.more && c.take != nil {
		large := bursts.Get().(*[8 << 10]byte)
		defer bursts.Put(large)
		p = large[:]
	}
	n, err := c.Conn.Read(p)
	c.more = n == len(p)
	if n == 0 && err != nil {
		return false, err
	}
	return c.sift(p[:n]), nil // an error with bytes comes again without
}

// sift takes messages out of bytes, which it does not keep, and leaves the rest to
// the library. What follows something for the library is for it too, until it has
// read that: so all is dealt with in the order in which it came.
func (c *agentConn) sift(came []byte) (took bool) {
	owned := len(c.held) > 0
	if owned {
		came, c.held = append(c.held, came...), nil
	}
	for len(came) > 0 {
		total, body := c.passing, 0
		if total == 0 {
			total, body = packetLength(came)
		}
		mine := c.passing == 0 && len(c.rest) == 0 && c.take != nil && came[0]>>4 == packets.Publish && total <= maxPacketBytes
		switch {
		case total == 0, mine && len(came) < total: // its length, or itself, is not all there
			if !owned {
				came = bytes.Clone(came)
			}
			c.held = came
			return took
		case mine:
			if !owned {
				came, owned = bytes.Clone(came), true
			}
			if c.take(came[0], came[body:total:total]) {
				came, took = came[total:], true
				continue
			}
		}
		n := min(total, len(came))
		c.rest = append(c.rest, came[:n]...)
		c.passing, came = total-n, came[n:]
	}
	return took
}

// packetLength is how long the packet is that begins here, and where the rest of
// it does; 0: that is not known yet. One whose length cannot be read never ends:
// the library is to judge it.
func packetLength(b []byte) (total, body int) {
	const longestHeader = 5
	for body = 2; body <= len(b); body++ {
		if b[body-1] < 0x80 {
			length, _ := binary.Uvarint(b[1:body]) // made as MQTT makes it
			return body + int(length), body
		}
		if body == longestHeader {
			return math.MaxInt, body
		}
	}
	return 0, 0
}

// ConnectionState is that of the TLS below.
func (c *agentConn) ConnectionState() tls.ConnectionState {
	if below, ok := c.Conn.(certified); ok {
		return below.ConnectionState()
	}
	return tls.ConnectionState{}
}

// agentListener accepts agents.
type agentListener struct{ net.Listener }

// agentsListener is the library's for them. Its end does not end their connections,
// which feed does: the library, as it looks for them, takes a lock for reading twice,
// and waits for ever when somebody connects or leaves in between.
type agentsListener struct{ *listeners.Net }

// Close accepts nobody any more.
func (l agentsListener) Close(listeners.CloseFn) { l.Net.Close(func(string) {}) }

func (l agentListener) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &agentConn{Conn: conn}, nil
}
