package process

import (
	"context"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

// Client is the agent's end of a keyer. Its methods may be called from any
// goroutine.
type Client struct {
	messages chan *keyerv1.FromKeyer
}

// Start runs a keyer as a process of its own: exe with args, which must end in
// Run over standard input and output. What it says on standard error goes to
// this process's. The keyer ends when ctx does, when the client is closed, and
// when this process dies.
func Start(ctx context.Context, exe string, args []string) (*Client, error) { return nil, nil }

// InMemory runs a keyer on goroutines of this process, over an in-memory pipe.
// In and Out of the options are not used.
func InMemory(ctx context.Context, o Options) *Client { return nil }

// Send passes a message to the keyer. It never waits for it: when the keyer is
// gone, or has not read for so long that messages pile up, that is an error.
func (c *Client) Send(m *keyerv1.ToKeyer) error { return nil }

// Messages gives what the keyer says, in order. It is closed when the keyer is
// gone; Err then says why. Whoever has a client must keep reading: a keyer that
// is not heard falls silent.
func (c *Client) Messages() <-chan *keyerv1.FromKeyer { return c.messages }

// Err says why the keyer is gone; nil while it runs, and after an orderly end.
func (c *Client) Err() error { return nil }

// Close ends the keyer, which keys up, and waits until it is gone.
func (c *Client) Close() error { return nil }
