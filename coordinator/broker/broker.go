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

// Broker is the way to all agents of a network.
type Broker interface {
	Publisher
	// Start begins to work and returns: an embedded broker listens then, an
	// external one is being connected to. It may be called once.
	Start(ctx context.Context) error
	// Stop ends all that Start began, and closes Deliveries.
	Stop()
	// Addr is where agents connect: HOST:PORT.
	Addr() string
	// Connected says whether messages can be published now.
	Connected() bool
	// OnConnect sets what is called, on a goroutine of its own, each time the
	// broker may have forgotten what was published. Set it before Start.
	OnConnect(func())
	// Deliveries is what agents say. A receiver that lags holds the senders up.
	Deliveries() <-chan Delivery
}
