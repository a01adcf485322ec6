package broker

import (
	"net"
	"net/url"
	"sync"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// cut is a connection whose far side a test can cut: everything passes through
// a pair of sockets in between, which are closed both at once.
type cut struct {
	mu    sync.Mutex
	conns []net.Conn
}

func (c *cut) dial(address *url.URL, _ paho.ClientOptions) (net.Conn, error) {
	far, err := net.Dial("tcp", address.Host)
	if err != nil {
		return nil, err
	}
	near, relay := net.Pipe()
	c.mu.Lock()
	c.conns = append(c.conns, far, relay)
	c.mu.Unlock()
	go pass(far, relay)
	go pass(relay, far)
	return near, nil
}

func pass(to, from net.Conn) {
	buffer := make([]byte, 1<<12)
	for {
		n, err := from.Read(buffer)
		if n > 0 {
			if _, err := to.Write(buffer[:n]); err != nil {
				break
			}
		}
		if err != nil {
			break
		}
	}
	_, _ = to.Close(), from.Close()
}

func (c *cut) cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, conn := range c.conns {
		_ = conn.Close()
	}
}
