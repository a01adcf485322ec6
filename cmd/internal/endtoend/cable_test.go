package endtoend

import (
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// cable lies between a program and what it talks to over TCP, and a test has its
// hand on it.
type cable struct {
	target   string
	listener net.Listener
	running  sync.WaitGroup

	mu      sync.Mutex
	state   cableState
	changed chan struct{} // closed when the state changes
	lines   map[*line]bool
}

// line is one connection over a cable: near is the program's end.
type line struct {
	near, far net.Conn
	halfOpen  bool
}

// cableState is what a cable does.
type cableState int

const (
	whole  cableState = iota
	silent            // connections stay, and new ones come about; nothing passes, in either direction
	slow              // a few bytes at a time
	parted            // connections are reset, and nobody answers new ones
)

// newCable lays a cable to an address.
func newCable(t *testing.T, target string) *cable {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // closed below
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{target: target, listener: listener, changed: make(chan struct{}), lines: map[*line]bool{}}
	c.running.Go(c.serve)
	t.Cleanup(func() {
		_ = listener.Close()
		c.set(parted)
		c.running.Wait()
	})
	return c
}

// at is where the program connects.
func (c *cable) at() string { return c.listener.Addr().String() }

// set changes what the cable does.
func (c *cable) set(state cableState) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.state = state
	close(c.changed)
	c.changed = make(chan struct{})
	if state == parted {
		for l := range c.lines {
			reset(l.near)
			reset(l.far)
		}
	}
}

// leaveHalfOpen ends the far side of all connections. The program is told
// nothing: it speaks, and nobody answers, as when a router has forgotten them.
func (c *cable) leaveHalfOpen() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for l := range c.lines {
		l.halfOpen = true
		reset(l.far)
	}
}

func reset(end net.Conn) {
	_ = end.(*net.TCPConn).SetLinger(0)
	_ = end.Close()
}

func (c *cable) now() (cableState, <-chan struct{}) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.state, c.changed
}

// passing waits until something may pass; false: the cable is parted.
func (c *cable) passing() bool {
	for {
		state, changed := c.now()
		if state != silent {
			return state != parted
		}
		<-changed
	}
}

// serve takes connections until the listener is closed.
func (c *cable) serve() {
	for {
		near, err := c.listener.Accept()
		if err != nil {
			return
		}
		c.running.Go(func() { c.connect(near) })
	}
}

func (c *cable) connect(near net.Conn) {
	defer near.Close() //nolint:errcheck // it may be reset
	if !c.passing() {
		return
	}
	far, err := net.Dial("tcp", c.target) //nolint:noctx // on this machine
	if err != nil {
		return
	}
	defer far.Close() //nolint:errcheck // it may be reset
	l := &line{near: near, far: far}
	if !c.hold(l) {
		return
	}
	c.running.Go(func() {
		c.pass(near, far)
		if !c.isHalfOpen(l) {
			_ = near.Close()
		}
	})
	c.pass(far, near)
	if c.isHalfOpen(l) {
		_, _ = io.Copy(io.Discard, near) // until the program gives it up
	}
	c.mu.Lock()
	delete(c.lines, l)
	c.mu.Unlock()
}

// hold keeps a line, unless the cable is parted.
func (c *cable) hold(l *line) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.state != parted {
		c.lines[l] = true
	}
	return c.state != parted
}

func (c *cable) isHalfOpen(l *line) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return l.halfOpen
}

// pass brings what one end says to the other, until one of them ends.
func (c *cable) pass(to, from net.Conn) {
	buffer := make([]byte, 32<<10)
	for {
		piece := buffer
		if state, changed := c.now(); state == slow {
			piece = buffer[:64]
			select {
			case <-changed:
			case <-time.After(10 * time.Millisecond):
			}
		}
		n, err := from.Read(piece)
		if !c.passing() {
			return
		}
		if n > 0 {
			if _, failed := to.Write(piece[:n]); failed != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}
