package broker

import "context"

// Message is something to publish.
type Message struct {
	Topic    string
	Payload  []byte
	Retained bool
}

// Publisher sends messages to agents. Publish returns when the broker has the
// message or ctx ends; it says nothing of whether an agent has it.
type Publisher interface {
	Publish(ctx context.Context, m Message) error
}

// Delivery is something that an agent said. Payload is the receiver's to keep.
type Delivery struct {
	Topic    string
	Payload  []byte
	Retained bool // kept by the broker from before this connection
	// Done tells the broker that the message is dealt with: stored, or refused
	// for good. It may be called once, from any goroutine.
	Done func()
}
