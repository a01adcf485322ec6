package broker

import (
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// feed is the hook that takes what agents publish to the receiver, before the
// library acknowledges it or spreads it: so the acknowledgement is ours to send,
// when Done is called.
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
	case mqtt.OnSessionEstablished, mqtt.OnDisconnect, mqtt.OnPacketRead, mqtt.OnPublish, mqtt.OnWill:
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
// agent which reads nothing holds up nobody but itself. What was dealt with
// meanwhile goes out in one write: with many small messages the writes cost more
// than all else.
func (s *session) acknowledge() {
	out := make([]byte, 0, maxWaiting*pubackBytes)
	for {
		select {
		case <-s.gone:
			return
		case id := <-s.acks:
			out = appendPuback(out[:0], id)
			dealt := 1
			for ; len(s.acks) > 0; dealt++ {
				out = appendPuback(out, <-s.acks)
			}
			s.write(out)
			for range dealt {
				<-s.waiting
			}
		}
	}
}

const pubackBytes = 4

// appendPuback adds a PUBACK that says "success" to MQTT 3.1.1 (section 3.4) and
// to 5.0 (section 3.4.2.1: without a reason code it means that). The packet id of
// a message with QoS 0 is 0, and it gets none.
func appendPuback(out []byte, id uint16) []byte {
	if id == 0 {
		return out
	}
	return append(out, packets.Puback<<4, 2, byte(id>>8), byte(id))
}

// write writes whole packets between those of the library. A failure closes the
// connection, which its reader notices.
func (s *session) write(out []byte) {
	if len(out) == 0 || s.client.Closed() {
		return
	}
	s.client.Lock()
	defer s.client.Unlock()
	_, _ = s.client.Net.Conn.Write(out)
}

// nothing is a packet that the library passes over: the acknowledgement of a
// message that was never sent.
var nothing = packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}}

// OnPacketRead hands on what an agent says, and leaves the library nothing of it:
// its own way of a message costs as much as all that is done here. What an agent
// may not say goes that way and is refused there. It runs on the goroutine that
// reads the agent's connection, so waiting here is how an agent is held up.
func (f *feed) OnPacketRead(client *mqtt.Client, packet packets.Packet) (packets.Packet, error) {
	if packet.FixedHeader.Type != packets.Publish || packet.PublishValidate(0) != packets.CodeSuccess {
		return packet, nil
	}
	if _, ok := mayUse(client.ID, packet.TopicName, true); !ok {
		return packet, nil
	}
	found, ok := f.sessions.Load(client)
	if !ok {
		return nothing, nil
	}
	s := found.(*session)
	select {
	case s.waiting <- struct{}{}:
	case <-f.stopping:
		return nothing, nil
	}
	id := packet.PacketID // 0 with QoS 0
	f.hand(Delivery{Topic: packet.TopicName, Payload: packet.Payload, Done: func() { s.acks <- id }})
	return nothing, nil
}

// OnPublish lets nothing through that agents say.
func (f *feed) OnPublish(client *mqtt.Client, packet packets.Packet) (packets.Packet, error) {
	if client.Net.Inline {
		return packet, nil
	}
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
