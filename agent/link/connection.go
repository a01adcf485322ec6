package link

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"google.golang.org/protobuf/proto"

	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

const (
	atLeastOnce = 1    // MQTT's quality of service
	refused     = 0x80 // the broker's answer to a subscription that it refuses (MQTT 3.1.1, 3.9.3)
	// maxUnacknowledged is how many messages the broker may leave unanswered
	// before the connection is given up.
	maxUnacknowledged = 200
)

// connection is one client and all that belongs to it.
type connection struct {
	link   *Link
	number uint64
	client mqtt.Client
	lost   chan error // why the connection is of no more use; the first counts
	tokens []mqtt.Token

	mu     sync.RWMutex
	closed bool // nothing is put into the link's events any more
}

func newConnection(l *Link, number uint64) (*connection, error) {
	c := &connection{link: l, number: number, lost: make(chan error, 1)}
	o := mqtt.NewClientOptions()
	o.AddBroker(l.options.Broker)
	o.SetClientID(l.options.Address.ClientID())
	o.SetCleanSession(true)
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetOrderMatters(false)
	o.SetProtocolVersion(4)
	o.SetKeepAlive(30 * time.Second)
	o.SetPingTimeout(10 * time.Second)
	o.SetConnectTimeout(answerTime)
	o.SetWriteTimeout(5 * time.Second)
	o.SetBinaryWill(l.options.Address.Topic(topic.Presence), c.presence(false), atLeastOnce, true)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { c.giveUp(err) })
	if l.options.TLS != nil {
		config, err := l.options.TLS()
		if err != nil {
			return nil, fmt.Errorf("the device's identity can't be used: %w", err)
		}
		o.SetTLSConfig(config)
	}
	c.client = mqtt.NewClient(o)
	return c, nil
}

// presence says that the agent is there, or no longer.
func (c *connection) presence(online bool) []byte {
	o := c.link.options
	payload, err := proto.Marshal(&wirev1.Presence{
		Network: o.Address.Network, Beacon: o.Address.Beacon, Run: o.Run, Connection: c.number,
		Online: online, Version: o.Version, Reader: o.Reader,
	})
	if err != nil { // only a string that is not UTF-8 could cause it
		panic(err)
	}
	return payload
}

// giveUp says that the connection is of no more use.
func (c *connection) giveUp(err error) {
	select {
	case c.lost <- err:
	default:
	}
}

// open connects, subscribes and says "online".
func (c *connection) open(ctx context.Context) error {
	if err := await(ctx, c.client.Connect(), "the broker does not answer"); err != nil {
		return err
	}
	filters := map[string]byte{}
	for _, kind := range topic.Kinds() {
		if kind.Down() {
			filters[c.link.options.Address.Topic(kind)] = atLeastOnce
		}
	}
	token := c.client.SubscribeMultiple(filters, c.receive)
	if err := await(ctx, token, "the broker does not answer a subscription"); err != nil {
		return err
	}
	if err := checkSubscribed(token, filters); err != nil {
		return err
	}
	online := c.client.Publish(c.link.options.Address.Topic(topic.Presence), atLeastOnce, true, c.presence(true))
	return await(ctx, online, "the broker does not take the presence")
}

// await waits for the broker's answer, for a limited time.
func await(ctx context.Context, token mqtt.Token, silent string) error {
	limit := time.NewTimer(answerTime + time.Second)
	defer limit.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-limit.C:
		return errors.New(silent)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// checkSubscribed looks at the answer itself: a refusal is no error to the
// client.
func checkSubscribed(token mqtt.Token, filters map[string]byte) error {
	subscribed, ok := token.(*mqtt.SubscribeToken)
	if !ok {
		return fmt.Errorf("a subscription gave a token of type %T", token)
	}
	result := subscribed.Result()
	for filter := range filters {
		if granted, answered := result[filter]; !answered || granted == refused {
			return fmt.Errorf("the broker refuses the subscription to %s", filter)
		}
	}
	return nil
}

// receive takes in a message. It never waits: an agent that can't keep up
// connects again, and is told everything that is retained once more.
func (c *connection) receive(_ mqtt.Client, m mqtt.Message) {
	address, kind, err := topic.Parse(m.Topic())
	if err != nil || address != c.link.options.Address {
		c.link.options.Log.Warn("a message for somebody else was dropped", "topic", m.Topic())
		return
	}
	if len(m.Payload()) > MaxPayload {
		c.link.options.Log.Warn("a message that is too large was dropped", "topic", m.Topic(), "bytes", len(m.Payload()), "most", MaxPayload)
		return
	}
	c.mu.RLock()
	defer c.mu.RUnlock()
	if c.closed {
		return
	}
	select {
	case c.link.events <- core.Message{Kind: kind, Payload: m.Payload()}:
	default:
		c.giveUp(errors.New("messages come faster than they can be dealt with"))
	}
}

// pass sends what is in the queue until the connection is of no more use.
func (c *connection) pass(ctx context.Context, queue <-chan core.Publish) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-c.lost:
			return err
		case p := <-queue:
			c.send(p)
		}
	}
}

// send hands a message to the client. The answers are only counted: they prove
// nothing but that the broker lives.
func (c *connection) send(p core.Publish) {
	waiting := c.tokens[:0]
	for _, token := range c.tokens {
		select {
		case <-token.Done():
		default:
			waiting = append(waiting, token)
		}
	}
	c.tokens = append(waiting, //nolint:gocritic // waiting is the front of tokens
		c.client.Publish(c.link.options.Address.Topic(p.Kind), atLeastOnce, p.Kind.Retained(), p.Payload))
	if len(c.tokens) > maxUnacknowledged {
		c.giveUp(fmt.Errorf("the broker has not acknowledged %d messages", len(c.tokens)))
	}
}

// leave says "offline": a clean end has no will.
func (c *connection) leave() {
	offline := c.client.Publish(c.link.options.Address.Topic(topic.Presence), atLeastOnce, true, c.presence(false))
	if !offline.WaitTimeout(leaveTime) {
		c.link.options.Log.Warn("the broker did not take the farewell in time")
	}
}

// close ends the client and makes sure that nothing more comes from it.
func (c *connection) close() {
	c.client.Disconnect(250) // milliseconds
	c.mu.Lock()
	c.closed = true
	c.mu.Unlock()
}
