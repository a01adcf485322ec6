package broker

import (
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"lamplighter/proto/topic"
)

// feed is the hook between agents and receiver. It takes what agents publish
// before the library acknowledges it or spreads it: so the acknowledgement is ours
// to send, when Done is called. And it knows who reads what: an agent reads only
// topics of its own, so that a message goes to the one session that its topic
// names, and the library's tree of subscriptions, which would cost more memory
// than all else of an idle agent, stays empty.
type feed struct {
	mqtt.HookBase
	gate       *gate
	deliveries chan Delivery
	stopping   chan struct{}
	stop       sync.Once
	sessions   sync.Map // client id → *session
	kept       shelf
	server     *mqtt.Server
}

func newFeed(gate *gate, server *mqtt.Server) *feed {
	return &feed{gate: gate, server: server, deliveries: make(chan Delivery, queueLength), stopping: make(chan struct{})}
}

// close makes every hook return at once, and ends all sessions.
func (f *feed) close() {
	f.stop.Do(func() {
		close(f.stopping)
		for _, client := range f.clients() {
			client.Stop(packets.ErrServerShuttingDown)
		}
	})
}

// clients are those that have a session.
func (f *feed) clients() (list []*mqtt.Client) {
	f.sessions.Range(func(_, s any) bool {
		list = append(list, s.(*session).client)
		return true
	})
	return list
}

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

// OnSessionEstablished takes a client over from the library, which would otherwise
// look through all of them every second. It is followed by OnDisconnect, whatever
// happens.
func (f *feed) OnSessionEstablished(client *mqtt.Client, _ packets.Packet) {
	if client.Closed() { // a newer connection of the same agent was faster
		return
	}
	s := &session{client: client, dropped: &f.server.Info.MessagesDropped, waiting: make(chan struct{}, maxWaiting), over: make(chan struct{})}
	// What a packet of MQTT 5.0 says besides, the library reads.
	if conn, ok := client.Net.Conn.(*agentConn); ok && client.Properties.ProtocolVersion < 5 {
		conn.take = f.taker(s)
		conn.silence = time.Duration(client.State.Keepalive) * time.Second * 3 / 2 // MQTT 3.1.1, section 3.1.2.10
	}
	former, had := f.sessions.Swap(client.ID, s)
	f.server.Clients.Delete(client.ID)
	if had {
		former.(*session).end()
		_ = f.server.DisconnectClient(former.(*session).client, packets.ErrSessionTakenOver)
	}
	select {
	case <-f.stopping: // and close may have looked before
		client.Stop(packets.ErrServerShuttingDown)
	default:
	}
}

// taker makes what takes the messages of a session from its connection. It leaves
// to the library what is to be refused.
func (f *feed) taker(s *session) func(first byte, body []byte) bool {
	var latest string // topic, which the agent may write; mostly that of the next message
	return func(first byte, body []byte) bool {
		name, id, payload, err := parsePublish(first, body)
		if err != nil || f.session(s.client) != s {
			return false
		}
		const qualities, again = 0x06, 0x08
		if (first&qualities == 0) != (id == 0) || first&again != 0 && id == 0 { // MQTT 3.1.1, sections 2.3.1 and 3.3.1.1
			return false
		}
		if string(name) != latest {
			said := string(name)
			if _, ok := mayUse(s.client.ID, said, true); !ok {
				return false
			}
			latest = said
		}
		f.take(s, latest, id, payload)
		return true
	}
}

// OnDisconnect forgets the session; what it left unacknowledged its agent sends
// again.
func (f *feed) OnDisconnect(client *mqtt.Client, _ error, _ bool) {
	if s := f.session(client); s != nil {
		f.sessions.CompareAndDelete(client.ID, s)
		s.end()
	}
}

// session is that of a client; nil: it has none any more, as another one has
// taken its place.
func (f *feed) session(client *mqtt.Client) *session {
	if found, ok := f.sessions.Load(client.ID); ok && found.(*session).client == client {
		return found.(*session)
	}
	return nil
}

// publish brings a message to the agent that its topic names. What is retained is
// kept before: whoever subscribes meanwhile has it in one way or the other, and
// an older one never after it.
func (f *feed) publish(m Message) {
	if m.Retained {
		f.kept.put(m.Topic, m.Payload)
	}
	address, kind, err := topic.Parse(m.Topic)
	if err != nil {
		return // nobody may read it here
	}
	if found, ok := f.sessions.Load(address.ClientID()); ok {
		found.(*session).publish(kind, m.Topic, m.Payload, m.Retained)
	}
}

// nothing is a packet that the library passes over: the acknowledgement of a
// message that was never sent.
var nothing = packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}}

// OnPacketRead hands on what an agent says and notes what it reads, and leaves
// the library nothing of it: its own way of a message costs as much as all that is
// done here. What an agent may not say goes that way and is refused there. It runs
// on the goroutine that reads the agent's connection, so waiting here is how an
// agent is held up. A connection without a session, since another has taken its
// place, ends: an agent that is heard by nobody has to notice and come back.
func (f *feed) OnPacketRead(client *mqtt.Client, packet packets.Packet) (packets.Packet, error) {
	s := f.session(client)
	switch {
	case s == nil && packet.FixedHeader.Type != packets.Connect && packet.FixedHeader.Type != packets.Disconnect:
		return packet, packets.ErrRejectPacket
	case packet.FixedHeader.Type == packets.Publish && packet.PublishValidate(0) == packets.CodeSuccess:
		if _, ok := mayUse(client.ID, packet.TopicName, true); !ok {
			return packet, nil
		}
		f.take(s, packet.TopicName, packet.PacketID, packet.Payload)
	case packet.FixedHeader.Type == packets.Subscribe && packet.SubscribeValidate() == packets.CodeSuccess:
		s.subscribe(packet, func(name string) bool { return f.gate.OnACLCheck(client, name, false) }, &f.kept)
	case packet.FixedHeader.Type == packets.Unsubscribe && packet.UnsubscribeValidate() == packets.CodeSuccess:
		s.unsubscribe(packet)
	default:
		return packet, nil
	}
	return nothing, nil
}

// take hands on what an agent says; the id is 0 with QoS 0.
func (f *feed) take(s *session, name string, id uint16, payload []byte) {
	select {
	case s.waiting <- struct{}{}:
	default:
		select {
		case s.waiting <- struct{}{}:
		case <-s.over: // what comes of it now, its agent sends again
			return
		case <-f.stopping:
			return
		}
	}
	f.hand(s, Delivery{Topic: name, Payload: payload, Done: func() { s.answer(id) }})
}

// OnPublish lets nothing through that agents say.
func (f *feed) OnPublish(client *mqtt.Client, packet packets.Packet) (packets.Packet, error) {
	if client.Net.Inline {
		return packet, nil
	}
	return packet, packets.ErrRejectPacket
}

// OnWill hands on what an agent left to be said when it is gone, which it is not
// if it has another session. Nobody else hears it, and nothing is kept.
func (f *feed) OnWill(client *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	if s := f.session(client); s != nil {
		f.hand(s, Delivery{Topic: will.TopicName, Payload: will.Payload, Done: func() {}})
	}
	will.Retain, will.WillDelayInterval = false, 0
	return will, nil
}

// hand waits for room in the queue, but not when its session is over: while nothing
// is stored, agents come back again and again. Nor while the broker stops: then all
// agents are cut off, and none of them is gone.
func (f *feed) hand(s *session, d Delivery) {
	select {
	case <-f.stopping:
		return
	default:
	}
	select {
	case f.deliveries <- d:
	case <-s.over:
	case <-f.stopping:
	}
}
