package broker

import (
	"net"
	"sync"
	"sync/atomic"
)

// cappedListener closes at once what it accepts beyond a number of connections,
// so that strangers who open many cost a bounded amount of memory.
type cappedListener struct {
	net.Listener
	open atomic.Int64
	most int64
}

// NewCapped is a listener that has at most so many connections open.
func NewCapped(inner net.Listener, most int64) net.Listener {
	return &cappedListener{Listener: inner, most: most}
}

func (l *cappedListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if l.open.Add(1) <= l.most {
			return &cappedConn{Conn: conn, left: sync.OnceFunc(func() { l.open.Add(-1) })}, nil
		}
		l.open.Add(-1)
		_ = conn.Close()
	}
}

// cappedConn counts until it is closed.
type cappedConn struct {
	net.Conn
	left func()
}

func (c *cappedConn) Close() error {
	c.left()
	return c.Conn.Close()
}
