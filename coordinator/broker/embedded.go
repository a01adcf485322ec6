package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"sync"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/prometheus/client_golang/prometheus"
)

// Limits of the embedded broker.
const (
	maxClients      = 16384
	maxConnections  = maxClients + 512 // with those that have not yet said who they are
	maxPacketBytes  = 1<<20 + 1<<16    // the largest sealed message, and its topic
	maxInflight     = 256              // QoS 1 messages to one client without its PUBACK
	maxWritesQueued = 256              // messages to one client that wait to be written
	maxWaiting      = 64               // messages of one client that wait for Done
	queueLength     = 256              // deliveries that wait for the receiver
	readBuffer      = 1 << 10          // bytes that are read from a connection at once: thousands of idle ones hold it
)

// EmbeddedOptions are the settings of the broker in this process.
type EmbeddedOptions struct {
	Network string // the network's id: agents of other networks are refused
	Listen  string // HOST:PORT; port 0: any free one
	// Listening listens there already, and is the broker's from Start on: agents
	// that came before wait in it. nil: the broker listens from Start.
	Listening net.Listener
	Devices   Devices // who may connect, by certificate; nil: anybody on this machine, unencrypted
	Log       *slog.Logger
	Metrics   prometheus.Registerer
}

type embedded struct {
	options   EmbeddedOptions
	server    *mqtt.Server
	listener  net.Listener
	ends      *cappedListener // beneath listener
	web       *webListener
	feed      *feed
	onConnect func()
	connected atomic.Bool
	called    sync.WaitGroup
	stop      sync.Once
}

// NewEmbedded makes the broker; it listens from Start.
func NewEmbedded(options EmbeddedOptions) (Broker, error) {
	if options.Devices == nil {
		if err := checkLoopback(options.Listen); err != nil {
			return nil, err
		}
	}
	capabilities := mqtt.NewDefaultServerCapabilities()
	capabilities.MaximumMessageExpiryInterval = 0 // otherwise what is retained is gone after a day
	capabilities.MaximumSessionExpiryInterval = 0
	capabilities.MaximumClients = maxClients
	capabilities.MaximumPacketSize = maxPacketBytes
	capabilities.MaximumInflight = maxInflight
	capabilities.MaximumClientWritesPending = 1 // the library itself publishes nothing
	capabilities.MaximumQos = 1
	capabilities.SharedSubAvailable = 0
	capabilities.SubIDAvailable = 0
	capabilities.TopicAliasMaximum = 0 // each message has its topic, before the library has looked at it
	server := mqtt.New(&mqtt.Options{
		Capabilities:            capabilities,
		Logger:                  slog.New(errorsOnly{options.Log.Handler()}),
		SysTopicResendInterval:  math.MaxInt32, // nobody may read them
		ClientNetReadBufferSize: readBuffer,
	})
	gate := &gate{network: options.Network, devices: options.Devices, log: options.Log, refusals: newRefusals()}
	b := &embedded{options: options, server: server, feed: newFeed(gate, server)}
	b.web = newWebListener(options.Devices)
	if err := errors.Join(server.AddHook(gate, nil), server.AddHook(b.feed, nil)); err != nil {
		return nil, err
	}
	return b, registerEmbedded(options.Metrics, server, gate.refusals)
}

func (b *embedded) OnConnect(call func()) { b.onConnect = call }

func (b *embedded) Start(ctx context.Context) error {
	listener := b.options.Listening
	if listener == nil {
		var err error
		if listener, err = (&net.ListenConfig{}).Listen(ctx, "tcp", b.options.Listen); err != nil {
			return fmt.Errorf("the MQTT broker cannot listen on %s: is another program there? %w", b.options.Listen, err)
		}
	}
	b.ends = &cappedListener{Listener: impatientListener{listener}, most: maxConnections}
	b.listener = b.ends
	if b.options.Devices != nil {
		b.listener = newSecureListener(b.listener, b.options.Devices)
		b.options.Devices.OnChange(b.endUnaccepted)
	}
	if err := errors.Join(b.server.AddListener(agentsListener{listeners.NewNet("agents", agentListener{b.listener})}), b.server.AddListener(b.web)); err != nil {
		return errors.Join(err, listener.Close())
	}
	if err := b.server.Serve(); err != nil {
		return errors.Join(err, listener.Close())
	}
	b.connected.Store(true)
	if b.onConnect != nil {
		b.called.Go(b.onConnect)
	}
	return nil
}

func (b *embedded) Stop() {
	b.stop.Do(func() {
		b.connected.Store(false)
		b.feed.close()
		if b.ends != nil {
			// The library waits for its connections by a count that each raises on
			// its own goroutine. Reading ours, which each lowered as it ended, makes
			// sure that those which have ended are seen to have raised it.
			b.ends.open.Load()
		}
		_ = b.server.Close() // waits for every connection to end; its error is always nil
		b.called.Wait()
		close(b.feed.deliveries)
	})
}

func (b *embedded) Addr() string {
	if b.listener == nil {
		return b.options.Listen
	}
	return b.listener.Addr().String()
}

// WebSocket takes MQTT over WebSockets on, from a web server that asks for
// certificates.
func (b *embedded) WebSocket() http.Handler { return b.web }

func (b *embedded) Connected() bool { return b.connected.Load() }

func (b *embedded) Deliveries() <-chan Delivery { return b.feed.deliveries }

func (b *embedded) Publish(ctx context.Context, m Message) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if !b.Connected() {
		return ErrNotConnected
	}
	// QoS 0: with clean sessions over TCP a higher one delivers nothing more.
	b.feed.publish(m)
	return nil
}
