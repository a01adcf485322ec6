package sim

import (
	"time"

	"lamplighter/agent/core"
	"lamplighter/proto/topic"
)

// link is the agent's connection to the broker: in order while it lasts, unless
// the world is told to mix things up, and gone without a word when it is half
// open.
type link struct {
	device   *device
	number   uint64 // of the connection
	isUp     bool
	half     bool // nothing passes, and nobody has noticed yet
	cut      int  // how many faults keep it from connecting
	failures int
	began    time.Duration
	lastDown time.Duration // when the latest message down arrives
	lastUp   time.Duration
	slow     time.Duration // by how much all that comes down is late
	late     time.Duration // by how much orders come later than all else
}

// keepAlive is how long it takes until a connection that says nothing is given up.
const keepAlive = 45 * time.Second

// begin starts to connect, and end gives up: agent/link does the same.
func (l *link) begin() {
	l.failures = 0
	l.number++
	l.dial(0)
}

func (l *link) end() {
	l.isUp = false
	l.number++
}

// dial tries after a wait.
func (l *link) dial(wait time.Duration) {
	number, w := l.number, l.device.world
	w.after(wait+w.latency(), func() {
		if l.number != number || l.device.agent == nil {
			return
		}
		if l.cut > 0 || !w.broker.up || l.device.hung || l.device.asleep {
			l.dial(l.backoff())
			return
		}
		l.isUp, l.half, l.began = true, false, w.now
		l.lastDown, l.lastUp = w.now, w.now
		w.happened("connected", l.device.label, l.number)
		w.broker.attach(l)
	})
}

// backoff is full jitter over min(60 s, 1 s · 2ⁿ).
func (l *link) backoff() time.Duration {
	most := min(60*time.Second, time.Second<<min(l.failures, 6))
	l.failures++
	return time.Duration(l.device.chance.Int64N(int64(most)))
}

// lose ends the connection, and both sides know.
func (l *link) lose() {
	if !l.isUp {
		return
	}
	if l.device.world.now-l.began >= 5*time.Minute {
		l.failures = 0
	}
	l.isUp = false
	l.number++
	l.device.world.happened("connection lost", l.device.label, l.number)
	l.device.agentStep(core.LinkDown{})
	l.dial(l.backoff())
}

// stall lets nothing pass any more; the keep-alive notices in time.
func (l *link) stall() {
	if !l.isUp || l.half {
		return
	}
	l.half = true
	l.device.world.reach("half-open link")
	number := l.number
	l.device.world.after(keepAlive, func() {
		if l.number == number {
			l.lose()
		}
	})
}

// mend lets it connect again.
func (l *link) mend() { l.cut-- }

// down brings a message to the agent.
func (l *link) down(kind topic.Kind, payload []byte) {
	w := l.device.world
	if !l.isUp || l.half {
		return
	}
	number := l.number
	arrive := func(at time.Duration) {
		w.at(at, func() {
			if l.number == number && l.isUp && !l.half {
				w.trace.text(string(kind))
				w.happened("told", l.device.label, uint64(len(payload)))
				w.oracle.received(l.device, kind, payload)
				l.device.agentStep(core.Message{Kind: kind, Payload: payload})
			}
		})
	}
	at := w.now + w.latency() + l.slow
	if w.mix.reorder == 0 || w.chance.IntN(w.mix.reorder) != 0 {
		at = max(at, l.lastDown)
		l.lastDown = at
	} else {
		at += time.Duration(w.chance.IntN(5000)) * time.Millisecond
		w.reach("a message out of order")
	}
	if kind == topic.Orders {
		at += l.late
	}
	arrive(at)
	if w.mix.duplicate != 0 && w.chance.IntN(w.mix.duplicate) == 0 {
		w.reach("a message twice")
		arrive(at + time.Duration(w.chance.IntN(20_000))*time.Millisecond)
	}
}

// up brings a message to the coordinators.
func (l *link) up(p core.Publish) {
	w := l.device.world
	if p.Kind == topic.LeaseRequest {
		w.oracle.asks(l.device, p.Payload)
	}
	if !l.isUp || l.half {
		return
	}
	at := max(w.now+w.latency(), l.lastUp)
	l.lastUp = at
	times := 1
	if w.mix.duplicate != 0 && w.chance.IntN(w.mix.duplicate) == 0 {
		times = 2
	}
	for range times {
		w.at(at, func() { w.broker.take(l.device, p) })
	}
}

// broker passes messages on and keeps those that are retained.
type broker struct {
	world *world
	up    bool
	kept  map[string]map[topic.Kind][]byte // by beacon
}

func (b *broker) attach(l *link) {
	l.device.agentStep(core.LinkUp{})
	for _, kind := range []topic.Kind{topic.Hush, topic.Orders} {
		if payload := b.kept[l.device.name][kind]; payload != nil {
			l.down(kind, payload)
		}
	}
}

// publish brings a message to whoever listens as that beacon.
func (b *broker) publish(beacon string, kind topic.Kind, payload []byte) bool {
	if !b.up {
		return false
	}
	if kind.Retained() {
		if b.kept[beacon] == nil {
			b.kept[beacon] = map[topic.Kind][]byte{}
		}
		b.kept[beacon][kind] = payload
	}
	for _, d := range b.world.devices {
		if d.name == beacon {
			d.link.down(kind, payload)
		}
	}
	return true
}

// take brings a message to every coordinator that listens.
func (b *broker) take(d *device, p core.Publish) {
	if b.up {
		b.world.coordinators.take(d, p)
	}
}

// restart loses every connection, and perhaps what was retained.
func (b *broker) restart(away time.Duration, forgets bool) {
	b.world.reach("broker restarts")
	b.up = false
	if forgets {
		b.world.reach("broker forgets what was retained")
		b.kept = map[string]map[topic.Kind][]byte{}
	}
	for _, d := range b.world.devices {
		if d.powered {
			d.link.lose()
		}
	}
	b.world.after(away, func() {
		b.up = true
		b.world.coordinators.republish()
	})
}
