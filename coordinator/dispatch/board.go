package dispatch

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/lease"
	"lamplighter/proto/topic"
)

// publishTimeout is how long one message may take to be published.
const publishTimeout = 5 * time.Second

// senders is how many messages are published at once.
const senders = 32

// board holds what agents are to do: the latest retained message of each topic.
// Each is published as soon as it is put up, and again whenever the broker may
// have forgotten or did not take it. Of one topic only one message is under way
// at a time, so that the latest is the last.
type board struct {
	ctx       context.Context //nolint:containedctx // of the term: nothing is published after it
	publisher broker.Publisher
	log       *slog.Logger
	sending   sync.WaitGroup

	mu      sync.Mutex
	notes   map[string]*note
	urgent  queue // hushes: they wait for nothing else
	ready   queue
	working int // how many publish
	over    bool
}

// note is the message of one topic.
type note struct {
	message broker.Message
	number  lease.Number
	due     bool // to be published
	urgent  bool
	busy    bool               // it waits in a queue, or somebody publishes it
	giveUp  context.CancelFunc // ends that; nil: nobody publishes
}

func newBoard(ctx context.Context, publisher broker.Publisher, log *slog.Logger) *board {
	return &board{ctx: ctx, publisher: publisher, log: log, notes: map[string]*note{}}
}

// put replaces the message of a topic and has it published.
func (b *board) put(name string, number lease.Number, payload []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := b.notes[name]
	if n == nil {
		_, kind, _ := topic.Parse(name)
		n = &note{urgent: kind == topic.Hush}
		b.notes[name] = n
	}
	n.message, n.number = broker.Message{Topic: name, Payload: payload, Retained: true}, number
	n.due = true
	if n.giveUp != nil {
		n.giveUp() // the broker may never answer for what is out of date, and a hush must not wait for that
	}
	b.start(n)
}

// replaced is told that somebody else put a message of a number in the place of
// ours. If it is older, ours is put back with the next retry: not at once, since
// two who believe to lead would never end.
func (b *board) replaced(topic string, payload []byte, number func() lease.Number) {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := b.notes[topic]
	if n == nil || n.busy || bytes.Equal(n.message.Payload, payload) {
		return
	}
	n.due = n.due || number().Compare(n.number) < 0
}

// again has all messages published.
func (b *board) again() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range b.notes {
		n.due = true
		b.start(n)
	}
}

// retry has those published that the broker did not take.
func (b *board) retry() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range b.notes {
		b.start(n)
	}
}

// start begins to publish a note, if it is due and nobody does. Call it with
// the lock held.
func (b *board) start(n *note) {
	if n.busy || !n.due || b.over {
		return
	}
	n.busy = true
	if n.urgent {
		b.urgent.add(n)
	} else {
		b.ready.add(n)
	}
	if b.working < senders {
		b.working++
		b.sending.Go(b.work)
	}
}

// work publishes what waits until nothing does.
func (b *board) work() {
	for {
		b.mu.Lock()
		n := b.urgent.take()
		if n == nil {
			n = b.ready.take()
		}
		if n == nil {
			b.working--
			b.mu.Unlock()
			return
		}
		b.mu.Unlock()
		b.send(n)
	}
}

// queue is notes that wait, the first in front.
type queue struct{ notes []*note }

func (q *queue) add(n *note) { q.notes = append(q.notes, n) }

// take is nil where nothing waits.
func (q *queue) take() (n *note) {
	if len(q.notes) == 0 {
		return nil
	}
	n, q.notes = q.notes[0], q.notes[1:]
	if len(q.notes) == 0 {
		q.notes = nil // with the room that a crowd took
	}
	return n
}

// send publishes a note until there is nothing newer, or the broker does not
// take it.
func (b *board) send(n *note) {
	for {
		b.mu.Lock()
		if !n.due {
			n.busy = false
			b.mu.Unlock()
			return
		}
		n.due = false
		message := n.message
		ctx, giveUp := context.WithTimeout(b.ctx, publishTimeout)
		n.giveUp = giveUp
		b.mu.Unlock()
		err := b.publish(ctx, message)
		giveUp()
		b.mu.Lock()
		n.giveUp = nil
		if err != nil && !n.due { // nothing newer has come meanwhile
			n.due, n.busy = true, false
			b.mu.Unlock()
			return
		}
		b.mu.Unlock()
	}
}

func (b *board) publish(ctx context.Context, m broker.Message) error {
	err := b.publisher.Publish(ctx, m)
	if err != nil && !errors.Is(err, broker.ErrNotConnected) && !errors.Is(err, context.Canceled) && b.ctx.Err() == nil {
		b.log.Warn("a message could not be published; it will be tried again", "topic", m.Topic, "error", err)
	}
	return err
}

// close ends publishing and waits for what is under way. The context has ended
// before.
func (b *board) close() {
	b.mu.Lock()
	b.over = true
	b.mu.Unlock()
	b.sending.Wait()
}
