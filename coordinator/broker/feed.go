package broker

import (
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// feed is the hook that takes what agents publish to the receiver. The library
// neither acknowledges nor spreads what a hook rejects, so the acknowledgement
// is ours to send: when Done is called.
type feed struct {
	mqtt.HookBase
	deliveries chan Delivery
	stopping   chan struct{}
	stop       sync.Once
	sessions   sync.Map // *mqtt.Client → *session
}

// session is one connection of an agent.
type session struct {
	client  *mqtt.Client
	waiting chan struct{} // holds one token for each message that is not dealt with
	acks    chan uint16   // packet ids to acknowledge; never longer than waiting
	gone    chan struct{}
}

func newFeed() *feed {
	return &feed{deliveries: make(chan Delivery, queueLength), stopping: make(chan struct{})}
}

// close makes every hook return at once.
func (f *feed) close() { f.stop.Do(func() { close(f.stopping) }) }

// ID names the hook.
func (f *feed) ID() string { return "feed" }

// Provides lists the calls that the hook wants.
func (f *feed) Provides(call byte) bool {
	switch call {
	case mqtt.OnSessionEstablished, mqtt.OnDisconnect, mqtt.OnPublish, mqtt.OnWill:
		return true
	}
	return false
}

// OnSessionEstablished is followed by OnDisconnect, whatever happens.
func (f *feed) OnSessionEstablished(client *mqtt.Client, _ packets.Packet) {
	s := &session{
		client:  client,
		waiting: make(chan struct{}, maxWaiting),
		acks:    make(chan uint16, maxWaiting),
		gone:    make(chan struct{}),
	}
	f.sessions.Store(client, s)
	go s.acknowledge()
}

// OnDisconnect forgets the session; what it left unacknowledged its agent sends
// again.
func (f *feed) OnDisconnect(client *mqtt.Client, _ error, _ bool) {
	if s, ok := f.sessions.LoadAndDelete(client); ok {
		close(s.(*session).gone)
	}
}

// acknowledge writes the acknowledgements, on a goroutine of its own so that an
// agent which reads nothing holds up nobody but itself.
func (s *session) acknowledge() {
	for {
		select {
		case <-s.gone:
			return
		case id := <-s.acks:
			if id != 0 {
				// A failure closes the connection, which the reader notices.
				_ = s.client.WritePacket(packets.Packet{
					FixedHeader: packets.FixedHeader{Type: packets.Puback},
					PacketID:    id,
				})
			}
			<-s.waiting
		}
	}
}

// OnPublish hands on what an agent says. It runs on the goroutine that reads
// the agent's connection, so waiting here is how an agent is held up.
func (f *feed) OnPublish(client *mqtt.Client, packet packets.Packet) (packets.Packet, error) {
	if client.Net.Inline {
		return packet, nil
	}
	found, ok := f.sessions.Load(client)
	if !ok {
		return packet, packets.ErrRejectPacket
	}
	s := found.(*session)
	select {
	case s.waiting <- struct{}{}:
	case <-f.stopping:
		return packet, packets.ErrRejectPacket
	}
	f.hand(Delivery{
		Topic:   packet.TopicName,
		Payload: packet.Payload,
		Done:    sync.OnceFunc(func() { s.acks <- packet.PacketID }), // 0 with QoS 0
	})
	return packet, packets.ErrRejectPacket
}

// OnWill hands on what an agent left to be said when it is gone. Nobody else
// hears it, and nothing is kept.
func (f *feed) OnWill(_ *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	f.hand(Delivery{Topic: will.TopicName, Payload: will.Payload, Done: func() {}})
	will.Retain, will.WillDelayInterval = false, 0
	return will, nil
}

// hand waits for room in the queue, but not while the broker stops: then all
// agents are cut off, and none of them is gone.
func (f *feed) hand(d Delivery) {
	select {
	case <-f.stopping:
		return
	default:
	}
	select {
	case f.deliveries <- d:
	case <-f.stopping:
	}
}
