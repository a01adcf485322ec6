package fleetload

import (
	"crypto/tls"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"lamplighter/proto/seal"
)

const (
	version    = "fleetload"
	reader     = 1     // of the messages' format
	maxWaiting = 1_000 // records of an agent without a receipt
	maxBatch   = 500
)

// Options say who the crowd is and where it goes.
type Options struct {
	Network string
	Beacons []string
	Broker  string // HOST:PORT
	Keys    seal.Keyring
	// TLS is how to connect, Certificates what each beacon shows; nil: nothing
	// is encrypted.
	TLS          *tls.Config
	Certificates map[string]tls.Certificate
	HealthEvery  time.Duration
	// Records says whether each sample of health is kept as a record too, as a
	// real agent does.
	Records bool
	// Within is over how long the first connections are spread.
	Within time.Duration
}

// Crowd is the agents of a network.
type Crowd struct {
	options Options
	began   time.Time
	agents  []*agent
	gone    chan struct{}
	live    sync.WaitGroup

	connected, grants atomic.Int64
	made, stored      atomic.Int64 // records, and those with a receipt

	mu       sync.Mutex
	failures map[string]int // why connections ended
	faults   map[string]int // what came down and should not have
	refusals map[string]int // why leases were not granted
}

// Gather starts a crowd.
func Gather(options Options) *Crowd {
	c := &Crowd{
		options: options, began: time.Now(), gone: make(chan struct{}),
		failures: map[string]int{}, faults: map[string]int{}, refusals: map[string]int{},
	}
	for i, beacon := range options.Beacons {
		a := newAgent(c, beacon)
		c.agents = append(c.agents, a)
		wait := options.Within * time.Duration(i) / time.Duration(len(options.Beacons))
		c.live.Go(func() {
			select {
			case <-time.After(wait):
				a.live()
			case <-c.gone:
			}
		})
	}
	return c
}

// Leave ends all connections, without a word of farewell.
func (c *Crowd) Leave() {
	close(c.gone)
	c.cut()
	c.live.Wait()
}

// cut ends the connections that are up.
func (c *Crowd) cut() {
	for _, a := range c.agents {
		a.mu.Lock()
		if a.conn != nil {
			_ = a.conn.Close()
		}
		a.mu.Unlock()
	}
}

func (c *Crowd) over() bool {
	select {
	case <-c.gone:
		return true
	default:
		return false
	}
}

func (c *Crowd) failed(err error) { c.count(c.failures, err.Error()) }
func (c *Crowd) wrong(err error)  { c.count(c.faults, err.Error()) }

func (c *Crowd) denied(sentence string) { c.count(c.refusals, sentence) }

// mostKinds bounds how many different sentences are told apart.
const mostKinds = 20

func (c *Crowd) count(into map[string]int, what string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, known := into[what]; !known && len(into) >= mostKinds {
		what = "others"
	}
	into[what]++
}

// Connected is how many are up: subscribed, and their presence is stored.
func (c *Crowd) Connected() int { return int(c.connected.Load()) }

// Waiting is how many records have no receipt yet.
func (c *Crowd) Waiting() int { return int(c.made.Load() - c.stored.Load()) }

// Made is how many records there are.
func (c *Crowd) Made() int { return int(c.made.Load()) }

// Faults is what came down and should not have, and why leases were refused.
func (c *Crowd) Faults() (faults, refusals map[string]int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	faults, refusals = map[string]int{}, map[string]int{}
	for what, n := range c.faults {
		faults[what] = n
	}
	for what, n := range c.refusals {
		refusals[what] = n
	}
	return faults, refusals
}

// Moments are when each agent that had something since a time had it.
func (c *Crowd) moments(since time.Time, of func(*agent) time.Time) []time.Duration {
	var list []time.Duration
	for _, a := range c.agents {
		a.mu.Lock()
		if at := of(a); at.After(since) {
			list = append(list, at.Sub(since))
		}
		a.mu.Unlock()
	}
	return list
}

// Up is how long after a time each agent was up that has come up since.
func (c *Crowd) Up(since time.Time) []time.Duration {
	return c.moments(since, func(a *agent) time.Time { return a.openedAt })
}

// Leased is how long after a time each agent heard its latest lease, where that
// was since.
func (c *Crowd) Leased(since time.Time) []time.Duration {
	return c.moments(since, func(a *agent) time.Time { return a.leased })
}

// Hushed is how long after a time each agent had its latest hush.
func (c *Crowd) Hushed(since time.Time) []time.Duration {
	return c.moments(since, func(a *agent) time.Time { return a.hushAt })
}

// Ordered is how long after a time each agent had its latest orders.
func (c *Crowd) Ordered(since time.Time) []time.Duration {
	return c.moments(since, func(a *agent) time.Time { return a.orderAt })
}

// Lacking tells of agents, at most so many, that are not connected, have no
// orders, or have heard of no lease since a time: what each has said and heard.
func (c *Crowd) Lacking(since time.Time, most int) (sentences []string) {
	for _, a := range c.agents {
		a.mu.Lock()
		if len(sentences) < most && (a.openedAt.IsZero() || a.orders == pair{} || !a.leased.After(since)) {
			sentences = append(sentences, a.story(time.Now()))
		}
		a.mu.Unlock()
	}
	return sentences
}

// story is what an agent and its coordinator have said to each other.
func (a *agent) story(now time.Time) string {
	ago := func(at time.Time) string {
		if at.IsZero() {
			return "never"
		}
		return now.Sub(at).Round(time.Millisecond).String() + " ago"
	}
	return fmt.Sprintf("%s: connection %d is up since %s; it last said something %s and asked for a lease %s, %d times without an answer, next in %s; it last heard something %s (%s), orders %v %s, hush %v %s, a lease %s (%d leases and %d refusals in all); %d records wait, the last batch was sent %s",
		a.address.Beacon, a.connection, ago(a.openedAt), ago(a.sentAt), ago(a.askedAt), a.unanswered, a.leaseAt.Sub(now).Round(time.Millisecond),
		ago(a.heardAt), a.heard, a.orders, ago(a.orderAt), a.hush, ago(a.hushAt), ago(a.leased), a.received, a.denied, len(a.waiting), ago(a.batchAt))
}
