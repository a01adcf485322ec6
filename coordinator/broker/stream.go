package broker

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
)

// stream is a connection to the broker outside, beneath the library's client. It
// takes out what agents say (PUBLISH, MQTT 3.1.1, section 3.3), which is nearly
// all that comes, and answers it itself; the library has the rest: connecting,
// subscribing, keeping alive, and what is published. Taken through the library,
// a message costs more than storing it.
//
// Reading never waits for whoever deals with messages, or answers to what is
// published would wait with them: the broker bounds how many it sends without an
// acknowledgement. Writing never waits for the network, so that what gathers
// meanwhile goes out at once.
type stream struct {
	net.Conn
	in   *bufio.Reader
	rest []byte // of a packet for the library
	lose func(error)

	mu    sync.Mutex
	heard []Delivery // to be handed on
	out   []byte     // packets to be written
	acks  acks
	err   error // of a write

	hear, say chan struct{} // something is there
	writing   sync.Mutex
}

const streamBuffer = 64 << 10

// newStream tells lose when the connection ends.
func newStream(conn net.Conn, lose func(error)) *stream {
	return &stream{
		Conn: conn, in: bufio.NewReaderSize(conn, streamBuffer), lose: lose,
		hear: make(chan struct{}, 1), say: make(chan struct{}, 1),
	}
}

// Read gives the library what is for it.
func (s *stream) Read(p []byte) (int, error) {
	for len(s.rest) == 0 {
		packet, header, err := readPacket(s.in)
		if err == nil && packet[0]>>4 == packets.Publish {
			err = s.take(packet[0], packet[header:])
		} else {
			s.rest = packet
		}
		if err != nil {
			s.lose(err)
			return 0, err
		}
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

// readPacket reads a whole packet, and says how long its fixed header is.
func readPacket(in *bufio.Reader) (packet []byte, header int, err error) {
	const longestHeader = 5
	start, err := in.Peek(2)
	if err != nil {
		return nil, 0, err
	}
	for header = 2; start[header-1] >= 0x80; header++ { // another byte of the length follows
		if header == longestHeader {
			return nil, 0, errors.New("the broker sent a packet whose length cannot be read")
		}
		if start, err = in.Peek(header + 1); err != nil {
			return nil, 0, err
		}
	}
	// As of a protobuf varint, which is made likewise.
	length, _ := binary.Uvarint(start[1:header])
	if length > maxPacketBytes {
		return nil, 0, fmt.Errorf("the broker sent a packet of %d bytes, and at most %d are read", length, maxPacketBytes)
	}
	packet = make([]byte, header+int(length))
	_, err = io.ReadFull(in, packet)
	return packet, header, err
}

// parsePublish takes a PUBLISH apart; the id is 0 with QoS 0.
func parsePublish(first byte, body []byte) (topic []byte, id uint16, payload []byte, err error) {
	quality := first >> 1 & 3
	if len(body) < 2 || quality > 1 {
		return nil, 0, nil, errors.New("a message cannot be read, or has a quality that nobody asked for")
	}
	length := int(binary.BigEndian.Uint16(body))
	if body = body[2:]; len(body) < length+2*int(quality) {
		return nil, 0, nil, errors.New("a message ends in its topic")
	}
	topic, payload = body[:length], body[length:]
	if quality == 1 {
		id, payload = binary.BigEndian.Uint16(payload), payload[2:]
	}
	return topic, id, payload, nil
}

// take puts a message among those to be handed on. With QoS 0 nothing holds the
// broker back, so some are let go.
func (s *stream) take(first byte, body []byte) error {
	topic, id, payload, err := parsePublish(first, body)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	done := func() {}
	if id != 0 {
		order := s.acks.expect(id, time.Now())
		done = func() { s.acknowledge(order) }
	} else if len(s.heard) >= math.MaxUint16 {
		return nil
	}
	s.heard = append(s.heard, Delivery{Topic: string(topic), Payload: payload, Retained: first&1 != 0, Done: done})
	ring(s.hear)
	return nil
}

func ring(bell chan struct{}) {
	select {
	case bell <- struct{}{}:
	default:
	}
}

// hand hands on what is heard, until the connection is lost.
func (s *stream) hand(deliveries chan<- Delivery, lost <-chan struct{}) {
	var some []Delivery
	for {
		select {
		case <-s.hear:
		case <-lost:
			return
		}
		s.mu.Lock()
		clear(some)
		some, s.heard = s.heard, some[:0]
		s.mu.Unlock()
		for _, d := range some {
			select {
			case deliveries <- d:
			case <-lost:
				return
			}
		}
	}
}

func (s *stream) acknowledge(order uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.acks.done(order) {
		ring(s.say)
	}
}

// Write takes whole packets, as the library writes them.
func (s *stream) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return 0, s.err
	}
	s.out = append(s.out, b...)
	ring(s.say)
	return len(b), nil
}

// SetWriteDeadline does nothing: each write to the network has one of its own.
func (s *stream) SetWriteDeadline(time.Time) error { return nil }

// write writes what gathers, until the connection is lost.
func (s *stream) write(lost <-chan struct{}) {
	look := time.NewTicker(ackPatience)
	defer look.Stop()
	for {
		select {
		case <-s.say:
		case <-look.C:
		case <-lost:
			return
		}
		if err := s.flush(writeTimeout); err != nil {
			_ = s.Conn.Close() // part of a packet may be out: nothing sensible can follow it
			s.lose(err)
		}
	}
}

// flush writes what is there.
func (s *stream) flush(within time.Duration) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	out := s.acks.appendDue(s.out, time.Now())
	s.out = nil
	s.mu.Unlock()
	if len(out) == 0 {
		return nil
	}
	err := s.Conn.SetWriteDeadline(time.Now().Add(within))
	if err == nil {
		_, err = s.Conn.Write(out)
	}
	if err != nil {
		s.mu.Lock()
		s.err = err
		s.mu.Unlock()
	}
	return err
}

// Close writes what is left, such as the library's word of parting.
func (s *stream) Close() error {
	_ = s.flush(partingMS * time.Millisecond)
	return s.Conn.Close()
}
