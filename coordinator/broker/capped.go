package broker

import (
	"errors"
	"net"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
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
		if noRoom(err) { // whoever accepts takes any error for the listener's end
			time.Sleep(acceptAgain)
			continue
		}
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

// acceptAgain is how long it waits when there is no room for a connection.
const acceptAgain = 50 * time.Millisecond

// noRoom says whether a connection could not be accepted for want of something
// that others give back (accept(2)).
func noRoom(err error) bool {
	for _, passing := range []error{syscall.EMFILE, syscall.ENFILE, syscall.ENOBUFS, syscall.ENOMEM, syscall.ECONNABORTED} {
		if errors.Is(err, passing) {
			return true
		}
	}
	return false
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
