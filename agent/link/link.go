// Package link is an agent's connection to the broker. It keeps one, for as long
// as it runs, and knows nothing of what is said over it.
//
// Nothing that matters is held here or by the broker: the session is clean, the
// queue outwards is short and forgotten when the connection is lost, and what
// is lost the agent's core says again. Each connection is a new client with a
// number of its own. It counts as up when the broker has confirmed every
// subscription and has the presence "online"; the broker says "offline" with
// the same number when it loses the agent, so that the last word of an old
// connection does not hide the first of a new one.
//
// A connection that ends, cannot be made, or is too slow to be kept up with is
// tried again after a wait drawn from the whole of min(60 s, 1 s · 2ⁿ); n is
// zero again after five minutes of a good link. Every wait has a time limit.
package link

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"time"

	"lamplighter/agent/core"
	"lamplighter/proto/topic"
)

// MaxPayload is the size of the largest message that is taken in.
const MaxPayload = 1<<20 + 1<<10

const (
	incoming   = 256 // messages that wait for the agent
	outgoing   = 64  // messages that wait for the network
	firstWait  = time.Second
	longest    = time.Minute
	goodLink   = 5 * time.Minute
	answerTime = 10 * time.Second
	leaveTime  = time.Second
)

// Options says who connects, and where to.
type Options struct {
	Broker  string                      // tcp://HOST:PORT, also ssl:// and wss://
	TLS     func() (*tls.Config, error) // for each connection anew; nil: not encrypted
	Address topic.Address
	Run     string // the agent's run
	Version string
	Reader  uint32
	Log     *slog.Logger
}

// Link keeps a connection.
type Link struct {
	options Options
	events  chan core.Event
	queue   chan core.Publish
	cancel  context.CancelFunc
	done    chan struct{}
	number  uint64 // of the latest connection
}

// Start begins to connect and returns at once.
func Start(options Options) *Link {
	ctx, cancel := context.WithCancel(context.Background())
	l := &Link{
		options: options,
		events:  make(chan core.Event, incoming), queue: make(chan core.Publish, outgoing),
		cancel: cancel, done: make(chan struct{}),
	}
	go l.run(ctx)
	return l
}

// Events gives LinkUp, LinkDown and Message as they happen. It must be read;
// it is closed after Close.
func (l *Link) Events() <-chan core.Event { return l.events }

// Publish puts a message into the queue outwards. It does not wait; when the
// queue is full the message is lost and the answer false.
func (l *Link) Publish(p core.Publish) bool {
	select {
	case l.queue <- p:
		return true
	default:
		return false
	}
}

// Close says "offline", disconnects, and returns when everything has ended.
func (l *Link) Close() {
	l.cancel()
	for range l.events { // whoever puts something in is not to wait
	}
	<-l.done
}

// run makes one connection after another.
func (l *Link) run(ctx context.Context) {
	defer close(l.done)
	defer close(l.events)
	for failures := 0; ctx.Err() == nil; failures++ {
		began := time.Now()
		err := l.connection(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) >= goodLink {
			failures = 0
		}
		wait := backoff(failures, rand.Float64())
		l.options.Log.Warn("no link to the broker", "broker", l.options.Broker, "reason", err, "next_try", wait.Round(time.Millisecond))
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
	}
}

// backoff draws the wait before the next connection; part lies in [0, 1).
func backoff(failures int, part float64) time.Duration {
	most := longest
	if failures < 6 {
		most = firstWait << failures
	}
	return time.Duration(part * float64(most))
}

// connection makes one connection and keeps it until it ends. The error says
// why it did.
func (l *Link) connection(ctx context.Context) error {
	l.number++
	c, err := newConnection(l, l.number)
	if err != nil {
		return err
	}
	defer c.close()
	if err := c.open(ctx); err != nil {
		return err
	}
	l.forgetQueue()
	if !l.tell(ctx, core.LinkUp{}) {
		return ctx.Err()
	}
	l.options.Log.Info("link to the broker is up", "broker", l.options.Broker, "connection", l.number, "run", l.options.Run)
	err = c.pass(ctx, l.queue)
	if ctx.Err() != nil {
		c.leave()
		return ctx.Err()
	}
	l.tell(ctx, core.LinkDown{})
	return fmt.Errorf("connection %d was lost: %w", l.number, err)
}

func (l *Link) tell(ctx context.Context, e core.Event) bool {
	select {
	case l.events <- e:
		return true
	case <-ctx.Done():
		return false
	}
}

// forgetQueue drops what was meant for an earlier connection.
func (l *Link) forgetQueue() {
	for {
		select {
		case <-l.queue:
		default:
			return
		}
	}
}
