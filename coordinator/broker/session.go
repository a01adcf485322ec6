package broker

import (
	"bytes"
	"slices"
	"sync"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"lamplighter/proto/topic"
)

// session is one connection of an agent: what it reads, and what waits to be
// written to it. While nothing is written it costs little: there are thousands.
type session struct {
	client  *mqtt.Client
	waiting chan struct{} // holds one token for each message that is not dealt with
	over    chan struct{} // closed when it is gone: nobody gives tokens back then
	dropped *int64        // counts messages that were not written

	mu       sync.Mutex
	reads    kinds  // what it has subscribed to
	as       kinds  // of these, what is to say whether it was published to be kept (MQTT 5.0, section 3.8.3.1)
	out      []byte // whole packets that wait to be written
	messages int    // among them
	answers  int    // how many tokens are free when they are written
	writing  bool   // somebody writes
	gone     bool
}

// kinds is a set of the kinds of topics.
type kinds uint16

func only(k topic.Kind) kinds { return 1 << slices.Index(topic.Kinds(), k) }

// answer acknowledges a message that was dealt with; the id is 0 with QoS 0.
func (s *session) answer(id uint16) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if id != 0 {
		s.out = appendPuback(s.out, id)
	}
	s.answers++
	s.start()
}

// appendPuback adds a PUBACK that says "success" to MQTT 3.1.1 (section 3.4) and
// to 5.0 (section 3.4.2.1: without a reason code it means that).
func appendPuback(out []byte, id uint16) []byte {
	return append(out, packets.Puback<<4, 2, byte(id>>8), byte(id))
}

// publish has a message written, if the agent reads its topic.
func (s *session) publish(kind topic.Kind, name string, payload []byte, retained bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.reads&only(kind) != 0 {
		s.queue(name, payload, retained && s.as&only(kind) != 0)
	}
}

// queue adds a message to what is written. Of an agent that reads too slowly it
// is dropped: it would come late.
func (s *session) queue(name string, payload []byte, retained bool) {
	var text bytes.Buffer
	most := s.client.Properties.Props.MaximumPacketSize
	message := packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish, Retain: retained},
		TopicName:   name, Payload: payload, ProtocolVersion: s.client.Properties.ProtocolVersion,
	}
	if s.messages >= maxWritesQueued || len(s.out) > 2*maxPacketBytes || message.PublishEncode(&text) != nil || most > 0 && text.Len() > int(most) {
		atomic.AddInt64(s.dropped, 1)
		return
	}
	s.out = append(s.out, text.Bytes()...)
	s.messages++
	s.start()
}

// start has what waits written, on a goroutine of its own so that an agent which
// reads nothing holds up nobody but itself. Call it with the lock held.
func (s *session) start() {
	if !s.writing && !s.gone {
		s.writing = true
		go s.write()
	}
}

// write writes until nothing waits: what came meanwhile goes out in one write.
// With many small messages the writes cost more than all else.
func (s *session) write() {
	for {
		s.mu.Lock()
		out, answers := s.out, s.answers
		s.out, s.messages, s.answers = nil, 0, 0
		if len(out) == 0 && answers == 0 || s.gone {
			s.writing = false
			s.mu.Unlock()
			return
		}
		s.mu.Unlock()
		s.put(out)
		for range answers {
			<-s.waiting
		}
	}
}

// put writes whole packets between those of the library. A failure closes the
// connection, which its reader notices.
func (s *session) put(out []byte) {
	if len(out) == 0 || s.client.Closed() {
		return
	}
	s.client.Lock()
	defer s.client.Unlock()
	_, _ = s.client.Net.Conn.Write(out)
}

// end forgets what waits: its agent is told anew when it comes back, and sends
// what was not acknowledged again.
func (s *session) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.gone {
		s.gone, s.out = true, nil
		close(s.over)
	}
}

// subscribe notes what an agent reads, answers, and says what is kept of it.
// may says whether it may read a topic.
func (s *session) subscribe(asked packets.Packet, may func(name string) bool, kept *shelf) {
	s.mu.Lock()
	defer s.mu.Unlock()
	codes := make([]byte, len(asked.Filters))
	var say []string
	for i, filter := range asked.Filters {
		if !may(filter.Filter) {
			codes[i] = packets.ErrNotAuthorized.Code
			if s.client.Properties.ProtocolVersion < 5 {
				codes[i] = packets.ErrUnspecifiedError.Code // 0x80: failure (MQTT 3.1.1, section 3.9.3)
			}
			continue
		}
		_, kind, _ := topic.Parse(filter.Filter) // whoever may read it can
		codes[i] = min(filter.Qos, 1)
		had := s.reads&only(kind) != 0
		s.reads |= only(kind)
		s.as &^= only(kind)
		if filter.RetainAsPublished {
			s.as |= only(kind)
		}
		if filter.RetainHandling == 0 || filter.RetainHandling == 1 && !had { // MQTT 5.0, section 3.8.3.1
			say = append(say, filter.Filter)
		}
	}
	s.acknowledge(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Suback}, PacketID: asked.PacketID, ReasonCodes: codes}, (*packets.Packet).SubackEncode)
	for _, name := range say {
		if payload := kept.get(name); payload != nil {
			s.queue(name, payload, true)
		}
	}
}

func (s *session) unsubscribe(asked packets.Packet) {
	s.mu.Lock()
	defer s.mu.Unlock()
	codes := make([]byte, len(asked.Filters))
	for i, filter := range asked.Filters {
		codes[i] = packets.CodeNoSubscriptionExisted.Code
		if _, kind, err := topic.Parse(filter.Filter); err == nil && s.reads&only(kind) != 0 {
			s.reads &^= only(kind)
			codes[i] = packets.CodeSuccess.Code
		}
	}
	s.acknowledge(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Unsuback}, PacketID: asked.PacketID, ReasonCodes: codes}, (*packets.Packet).UnsubackEncode)
}

func (s *session) acknowledge(ack packets.Packet, encode func(*packets.Packet, *bytes.Buffer) error) {
	ack.ProtocolVersion = s.client.Properties.ProtocolVersion
	var text bytes.Buffer
	if encode(&ack, &text) == nil { // it has a packet id
		s.out = append(s.out, text.Bytes()...)
		s.start()
	}
}

// shelf keeps the latest retained message of each topic.
type shelf struct{ payloads sync.Map } // topic → []byte

func (s *shelf) put(name string, payload []byte) {
	if len(payload) == 0 { // MQTT 3.1.1, section 3.3.1.3
		s.payloads.Delete(name)
		return
	}
	s.payloads.Store(name, payload)
}

// get is nil where nothing is kept.
func (s *shelf) get(name string) []byte {
	if payload, ok := s.payloads.Load(name); ok {
		return payload.([]byte)
	}
	return nil
}
