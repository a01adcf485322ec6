package broker

import (
	"bytes"
	"errors"
	"io"
	"net"
	"testing"
	"testing/iotest"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"lamplighter/proto/topic"
)

// piecemeal is a connection on which bytes come as a reader brings them.
type piecemeal struct {
	net.Conn
	io.Reader
	deadlines int
}

func (p *piecemeal) Read(b []byte) (int, error) { return p.Reader.Read(b) }

func (p *piecemeal) RemoteAddr() net.Addr { return &net.TCPAddr{} }

func (p *piecemeal) Write(b []byte) (int, error) { return len(b), nil }

func (p *piecemeal) Close() error { return nil }

func (p *piecemeal) SetDeadline(time.Time) error { p.deadlines++; return nil }

// readAll reads as the library does, a little at a time.
func readAll(t *testing.T, conn io.Reader) (rest []byte) {
	t.Helper()
	b := make([]byte, 64)
	for {
		n, err := conn.Read(b)
		rest = append(rest, b[:n]...)
		if errors.Is(err, io.EOF) {
			return rest
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestWhatAnAgentPublishesDoesNotReachTheLibrary(t *testing.T) {
	ping := []byte{packets.Pingreq << 4, 0}
	long := bytes.Repeat([]byte("x"), 70_000)
	right := encoded(t, publish(1, 7, []byte("first")))
	foreign := publish(1, 8, nil)
	foreign.TopicName = topic.Address{Network: network, Beacon: "other"}.Topic(topic.Health)
	again := encoded(t, publish(0, 0, nil))
	again[0] |= 0x08
	for name, c := range map[string]struct {
		came  [][]byte
		taken int
		rest  []byte
	}{
		"a message":                  {[][]byte{right}, 1, nil},
		"two, and one that is long":  {[][]byte{right, encoded(t, publish(0, 0, nil)), encoded(t, publish(1, 9, long))}, 3, nil},
		"a ping before and after":    {[][]byte{ping, right, ping}, 1, append(ping, ping...)},
		"on another's topic":         {[][]byte{encoded(t, foreign)}, 0, encoded(t, foreign)},
		"with QoS 2":                 {[][]byte{encoded(t, publish(2, 7, nil))}, 0, encoded(t, publish(2, 7, nil))},
		"again with QoS 0":           {[][]byte{again}, 0, again},
		"without a length":           {[][]byte{{0x32, 0xff, 0xff, 0xff, 0xff, 0x01}, right}, 0, append([]byte{0x32, 0xff, 0xff, 0xff, 0xff, 0x01}, right...)},
		"longer than any is allowed": {[][]byte{{0x32, 0xff, 0xff, 0xff, 0x7f}, right}, 0, append([]byte{0x32, 0xff, 0xff, 0xff, 0x7f}, right...)},
	} {
		for how, in := range map[string]func(io.Reader) io.Reader{"whole": func(r io.Reader) io.Reader { return r }, "by bytes": iotest.OneByteReader} {
			t.Run(name+" "+how, func(t *testing.T) {
				below := &piecemeal{Reader: in(bytes.NewReader(bytes.Join(c.came, nil)))}
				conn := &agentConn{Conn: below}
				server := mqtt.New(&mqtt.Options{Logger: silent()})
				f := newFeed(&gate{}, server)
				client := server.NewClient(conn, "agents", mill.ClientID(), false)
				client.Properties.ProtocolVersion, client.State.Keepalive = 4, 30
				f.OnSessionEstablished(client, packets.Packet{})
				rest := readAll(t, conn)
				// What came at once after something for the library may be for it too.
				if how == "by bytes" && (!bytes.Equal(rest, c.rest) || len(f.deliveries) != c.taken) {
					t.Errorf("%d were taken, and the library got %.60x, want %d and %.60x", len(f.deliveries), rest, c.taken, c.rest)
				}
				if len(f.deliveries) == c.taken && !bytes.Equal(rest, c.rest) || len(f.deliveries) > c.taken {
					t.Errorf("%d were taken, and the library got %.60x", len(f.deliveries), rest)
				}
				if (below.deadlines > 0) != (len(f.deliveries) > 0) {
					t.Errorf("who says something was given time %d times", below.deadlines)
				}
			})
		}
	}
}

func TestNothingIsTakenOfAnotherProtocolOrWithoutASession(t *testing.T) {
	for name, c := range map[string]struct {
		version byte
		over    bool
	}{"MQTT 5.0": {5, false}, "its place was taken": {4, true}} {
		t.Run(name, func(t *testing.T) {
			message := encoded(t, publish(1, 7, nil))
			conn := &agentConn{Conn: &piecemeal{Reader: bytes.NewReader(message)}}
			server := mqtt.New(&mqtt.Options{Logger: silent()})
			f := newFeed(&gate{}, server)
			client := server.NewClient(conn, "agents", mill.ClientID(), false)
			client.Properties.ProtocolVersion = c.version
			f.OnSessionEstablished(client, packets.Packet{})
			if c.over {
				f.sessions.Delete(client.ID)
			}
			if rest := readAll(t, conn); !bytes.Equal(rest, message) || len(f.deliveries) > 0 {
				t.Errorf("the library got %x", rest)
			}
		})
	}
}

// Whatever an agent sends, and however it comes, each byte is for one of the two,
// in the order in which it came, and what the end cut off is kept back.
func FuzzAgent(f *testing.F) {
	f.Add(encoded(f, publish(1, 7, []byte("payload"))), uint8(3))
	f.Add(append([]byte{0xc0, 0}, encoded(f, publish(0, 0, nil))...), uint8(255))
	f.Add([]byte{0x32, 0xff, 0xff, 0xff, 0xff, 0x01}, uint8(1))
	f.Add([]byte{0x32, 0x02, 0x00, 0x00, 0x32, 0x04, 0x00}, uint8(2))
	f.Fuzz(func(t *testing.T, content []byte, piece uint8) {
		left := content // what is for nobody yet
		conn := &agentConn{}
		conn.take = func(first byte, body []byte) bool {
			if len(body)%3 == 0 {
				return false
			}
			total, from := packetLength(left)
			if total > len(left) || left[0] != first || !bytes.Equal(left[from:total], body) {
				t.Fatalf("%x %x was taken where %x came", first, body, left)
			}
			left = left[total:]
			return true
		}
		for come := content; len(come) > 0; {
			n := min(int(piece)+1, len(come))
			came := bytes.Clone(come[:n])
			conn.sift(came)
			clear(came) // it keeps nothing of it
			if !bytes.HasPrefix(left, conn.rest) {
				t.Fatalf("the library got %x where %x came", conn.rest, left)
			}
			left, conn.rest, come = left[len(conn.rest):], nil, come[n:]
		}
		if !bytes.Equal(left, conn.held) {
			t.Fatalf("%x is kept back of %x", conn.held, left)
		}
	})
}
