package process

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

// Client is the agent's end of a keyer. Its methods may be called from any
// goroutine.
type Client struct {
	keyer    keyerEnd
	outgoing chan []byte
	messages chan *keyerv1.FromKeyer

	closing   chan struct{} // Close was called
	closeOnce sync.Once
	gone      chan struct{} // the keyer is gone, and err is final
	err       error
}

// keyerEnd is a running keyer as its client sees it.
type keyerEnd struct {
	in    io.WriteCloser
	out   io.Reader
	spoke func()       // its first word has come, so it is at work
	wait  func() error // until it is gone, when all of out was read
	kill  func()
}

// patience is how long a keyer may take to end when it is asked to.
const patience = 3 * time.Second

// quiet is how long a keyer, which speaks each second, may say nothing before it
// is killed: stopped or hung it can't key up, but what follows its end does.
const quiet = 10 * time.Second

// queue is how many messages may wait for the keyer. At 20 heartbeats a second
// that is three seconds, after which it has long keyed up by itself.
const queue = 64

func newClient(ctx context.Context, keyer keyerEnd) *Client {
	c := &Client{
		keyer: keyer, outgoing: make(chan []byte, queue), messages: make(chan *keyerv1.FromKeyer, queue),
		closing: make(chan struct{}), gone: make(chan struct{}),
	}
	go c.read()
	go c.write()
	stop := context.AfterFunc(ctx, func() { _ = c.Close() })
	go func() { <-c.gone; stop() }()
	return c
}

// Send passes a message to the keyer. It never waits for it: when the keyer is
// gone, or has not read for so long that messages pile up, that is an error.
func (c *Client) Send(m *keyerv1.ToKeyer) error {
	var frame bytes.Buffer
	if err := writeFrame(&frame, m); err != nil {
		return err
	}
	if frame.Len() > maxFrame {
		return fmt.Errorf("a message of %d bytes for the keyer, which reads %d at most", frame.Len(), maxFrame)
	}
	select {
	case <-c.gone:
		return errors.New("the keyer is gone")
	case <-c.closing:
		return errors.New("the keyer is being closed")
	default:
	}
	select {
	case c.outgoing <- frame.Bytes():
		return nil
	default:
		return errors.New("the keyer does not read what it is sent")
	}
}

// Messages gives what the keyer says, in order. It is closed when the keyer is
// gone; Err then says why. Whoever has a client must keep reading: a keyer that
// is not heard falls silent.
func (c *Client) Messages() <-chan *keyerv1.FromKeyer { return c.messages }

// Err says why the keyer is gone; nil while it runs, and after an orderly end.
func (c *Client) Err() error {
	select {
	case <-c.gone:
		return c.err
	default:
		return nil
	}
}

// Close ends the keyer, which keys up, and waits until it is gone. One that does
// not go is killed.
func (c *Client) Close() error {
	c.closeOnce.Do(func() { close(c.closing) })
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-c.gone:
		return c.err
	case <-timer.C:
	}
	c.keyer.kill()
	<-c.gone
	return c.err
}

// read passes on what the keyer says, and notices when it is gone. Once the
// client is being closed, nobody needs to listen any more.
func (c *Client) read() {
	defer close(c.messages)
	hangs := time.AfterFunc(quiet, c.keyer.kill)
	defer hangs.Stop()
	first := sync.OnceFunc(c.keyer.spoke)
	broken := readFrames(c.keyer.out, func() *keyerv1.FromKeyer { return &keyerv1.FromKeyer{} }, func(m *keyerv1.FromKeyer) bool {
		hangs.Stop()
		defer hangs.Reset(quiet)
		first()
		select {
		case c.messages <- m:
		case <-c.closing:
		}
		return true
	})
	if broken != nil {
		c.keyer.kill()
	}
	c.err = errors.Join(c.keyer.wait(), broken)
	close(c.gone)
}

// write passes on what is sent. A write that fails means that the keyer is
// going, which read notices.
func (c *Client) write() {
	defer func() { _ = c.keyer.in.Close() }()
	for {
		select {
		case frame := <-c.outgoing:
			if _, err := c.keyer.in.Write(frame); err != nil {
				return
			}
		case <-c.closing:
			return
		case <-c.gone:
			return
		}
	}
}
