package broker

import (
	"bytes"
	"io"
	"net"
	"testing"

	"github.com/mochi-mqtt/server/v2/packets"
)

// sent is a connection on which some bytes come, and then the end.
type sent struct {
	net.Conn
	bytes.Reader
}

func (s *sent) Read(p []byte) (int, error) { return s.Reader.Read(p) }

func streamOf(content []byte) *stream {
	conn := &sent{}
	conn.Reset(content)
	return newStream(conn, func(error) {})
}

// A library that writes packets is what ours are compared with.
func encoded(t testing.TB, p packets.Packet) []byte {
	t.Helper()
	var out bytes.Buffer
	p.ProtocolVersion = 4
	var err error
	switch p.FixedHeader.Type {
	case packets.Publish:
		err = p.PublishEncode(&out)
	case packets.Puback:
		err = p.PubackEncode(&out)
	case packets.Pingresp:
		err = p.PingrespEncode(&out)
	}
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func publish(quality byte, id uint16, payload []byte) packets.Packet {
	return packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: quality, Retain: quality == 0},
		TopicName:   "lamplighter/v1/tern-valley/mill-hf/up/health", PacketID: id, Payload: payload,
	}
}

func TestWhatAgentsSayIsTakenOutOfTheStream(t *testing.T) {
	ping := encoded(t, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingresp}})
	answer := encoded(t, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: 9})
	if !bytes.Equal(answer, appendPuback(nil, 9)) {
		t.Errorf("a PUBACK is %x, want %x", appendPuback(nil, 9), answer)
	}
	long := bytes.Repeat([]byte("x"), 70_000) // more than is read at once
	s := streamOf(bytes.Join([][]byte{
		encoded(t, publish(1, 7, []byte("first"))), ping, encoded(t, publish(0, 0, nil)), encoded(t, publish(1, 65535, long)), answer,
	}, nil))
	rest, err := io.ReadAll(s)
	if err != nil || !bytes.Equal(rest, append(ping, answer...)) {
		t.Errorf("the library got %x, %v", rest, err)
	}
	if len(s.heard) != 3 {
		t.Fatalf("%d messages", len(s.heard))
	}
	for i, want := range []string{"first", "", string(long)} {
		d := s.heard[i]
		if d.Topic != mill.Topic("up/health") || string(d.Payload) != want || d.Retained != (i == 1) {
			t.Errorf("message %d: %q, %d bytes, retained %v", i, d.Topic, len(d.Payload), d.Retained)
		}
		d.Done()
	}
	if out := s.acks.appendDue(nil, s.acks.waiting[0].came); !bytes.Equal(out, appendPuback(appendPuback(nil, 7), 65535)) {
		t.Errorf("acknowledged with %x", out)
	}
}

// Whatever a broker sends, reading ends, and what is passed on came.
func FuzzStream(f *testing.F) {
	f.Add(encoded(f, publish(1, 7, []byte("payload"))))
	f.Add(append(encoded(f, publish(0, 0, nil)), 0xd0, 0x00))
	f.Add([]byte{0x32, 0xff, 0xff, 0xff, 0xff, 0x01})
	f.Add([]byte{0x34, 0x04, 0x00, 0x00, 0x00, 0x01})
	f.Fuzz(func(t *testing.T, content []byte) {
		s := streamOf(content)
		rest, _ := io.ReadAll(s)
		total := len(rest)
		for _, d := range s.heard {
			total += len(d.Topic) + len(d.Payload)
			d.Done()
		}
		if total > len(content) {
			t.Fatalf("%d bytes came of %d", total, len(content))
		}
	})
}
