package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/proto/topic"
)

// ErrNotConnected says that nothing can be published now.
var ErrNotConnected = errors.New("the MQTT broker is not connected")

// ExternalOptions are the settings of the client of a broker outside.
type ExternalOptions struct {
	Network  string             // the network's id
	URL      string             // tcp://HOST:PORT, or ssl://HOST:PORT with TLS
	TLS      func() *tls.Config // for each connection anew
	ClientID string             // another one for each coordinator
	Log      *slog.Logger
	Metrics  prometheus.Registerer
}

// Pauses between attempts to connect: up to 1 s at first, twice as much each
// time, at most 60 s; from the start again after a link that lasted.
const (
	shortestPause = time.Second
	longestPause  = time.Minute
	goodLink      = 5 * time.Minute
)

// pause is a random time up to the bound for the given attempt, so that many
// clients don't return at the same moment.
func pause(attempt int) time.Duration {
	bound := longestPause
	if attempt < 6 {
		bound = min(bound, shortestPause<<attempt)
	}
	return rand.N(bound)
}

type external struct {
	options    ExternalOptions
	host       string
	pause      func(attempt int) time.Duration
	connects   prometheus.Counter
	deliveries chan Delivery
	onConnect  func()
	end        context.CancelFunc
	running    sync.WaitGroup // the loop, and what OnConnect set
	stop       sync.Once

	mu   sync.Mutex
	link *link // nil: not connected
}

// NewExternal makes the client; it connects from Start.
func NewExternal(options ExternalOptions) (Broker, error) {
	address, err := url.Parse(options.URL)
	if err != nil || address.Scheme != "tcp" && address.Scheme != "ssl" || address.Port() == "" || address.Hostname() == "" {
		return nil, fmt.Errorf("%q is no address of an MQTT broker: write ssl://HOST:PORT, or tcp://HOST:PORT on this machine", options.URL)
	}
	if address.Scheme == "tcp" {
		if err := checkLoopback(address.Host); err != nil {
			return nil, fmt.Errorf("%s: what is said to a broker elsewhere must be encrypted: write ssl://%s", options.URL, address.Host)
		}
	}
	e := &external{
		options: options, host: address.Host, pause: pause,
		deliveries: make(chan Delivery, queueLength),
		end:        func() {},
		connects: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "lamplighter_broker_connects_total",
			Help: "How often the MQTT broker was connected to.",
		}),
	}
	return e, registerAll(options.Metrics, e.connects, prometheus.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "lamplighter_broker_connected",
		Help: "Whether the MQTT broker is connected: 1, or 0.",
	}, func() float64 {
		if e.Connected() {
			return 1
		}
		return 0
	}))
}

func (e *external) OnConnect(call func()) { e.onConnect = call }

func (e *external) Addr() string { return e.host }

func (e *external) Deliveries() <-chan Delivery { return e.deliveries }

func (e *external) Connected() bool { return e.current() != nil }

func (e *external) current() *link {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.link
}

func (e *external) set(l *link) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.link = l
}

func (e *external) Start(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	// The loop ends with Stop, not with the context of Start.
	ctx, e.end = context.WithCancel(context.WithoutCancel(ctx))
	e.running.Go(func() { e.loop(ctx) })
	return nil
}

func (e *external) Stop() {
	e.stop.Do(func() {
		e.end()
		e.running.Wait()
		close(e.deliveries)
	})
}

// loop holds one link after the other.
func (e *external) loop(ctx context.Context) {
	for attempt := 0; ctx.Err() == nil; attempt++ {
		began := time.Now()
		err := e.hold(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > goodLink {
			attempt = 0
		}
		wait := e.pause(attempt)
		e.options.Log.Warn("the MQTT broker is away", "broker", e.host, "error", err, "next_attempt_in", wait)
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
	}
}

// hold connects, and returns when the link is lost or ctx ends.
func (e *external) hold(ctx context.Context) error {
	l, err := e.dial(ctx)
	if err != nil {
		return err
	}
	defer l.close()
	e.set(l)
	defer e.set(nil)
	e.connects.Inc()
	e.options.Log.Info("the MQTT broker is connected", "broker", e.host)
	if e.onConnect != nil {
		e.running.Go(e.onConnect)
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-l.lost:
		return l.why()
	}
}

func (e *external) Publish(ctx context.Context, m Message) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	l := e.current()
	if l == nil {
		return ErrNotConnected
	}
	return l.wait(ctx, l.client.Publish(m.Topic, 1, m.Retained, m.Payload))
}

// allOfThem is the name under which all coordinators share.
const allOfThem = "coordinators"

// subscriptions are the topics of all agents and receivers, each with QoS 1.
// Records and receptions, which are many and can wait, are shared among the
// coordinators of a network. What is said live every coordinator hears, so that one that hangs holds up no lease and
// hides no confirmation of silence. So it does what coordinators have the broker
// keep, from now on: shared with nobody, because what was kept before would come
// at each connect.
func subscriptions(network, self string) map[string]byte {
	filters := map[string]byte{}
	for _, kind := range topic.Kinds() {
		switch {
		case kind.Down() && kind.Retained():
			filters[topic.Shared(self, network, kind)] = 1
		case kind.Down():
		case kind == topic.Records, kind == topic.Receptions:
			filters[topic.Shared(allOfThem, network, kind)] = 1
		default:
			filters[topic.Every(network, kind)] = 1
		}
	}
	return filters
}
