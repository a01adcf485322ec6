package broker

import (
	"bytes"
	"errors"
	"io"
	"net"
	"testing"
	"testing/synctest"

	paho "github.com/eclipse/paho.mqtt.golang"
	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"lamplighter/proto/topic"
)

// Of two connections of an agent one has the session, whichever is established
// last, and the other ends: an agent that is heard by nobody has to notice.
func TestOfTwoConnectionsOfAnAgentOneGoesOn(t *testing.T) {
	for name, c := range map[string]struct {
		order []int // in which they are established; the second was made later
		ended []int // before the last is established
		goes  int
	}{
		"one after the other":                       {[]int{0, 1}, nil, 1},
		"the newer first":                           {[]int{1, 0}, nil, 0},
		"the newer first, and it ended the older":   {[]int{1, 0}, []int{0}, 1},
		"one after the other, and the older is off": {[]int{0, 1}, []int{0}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			server := mqtt.New(&mqtt.Options{Logger: silent()})
			f := newFeed(&gate{}, server)
			var both [2]*mqtt.Client
			for i := range both {
				near, far := net.Pipe()
				t.Cleanup(func() { _, _ = near.Close(), far.Close() })
				both[i] = server.NewClient(near, "agents", mill.ClientID(), false)
				go func() { _, _ = far.Read(make([]byte, 100)) }() // a word of parting
			}
			for n, i := range c.order {
				if n == 1 {
					for _, i := range c.ended {
						both[i].Stop(nil)
					}
				}
				server.Clients.Add(both[i])
				f.OnSessionEstablished(both[i], packets.Packet{})
			}
			f.OnDisconnect(both[1-c.goes], nil, false)
			if both[c.goes].Closed() || !both[1-c.goes].Closed() || f.session(both[c.goes]) == nil {
				t.Errorf("closed: %v and %v, want %d to go on", both[0].Closed(), both[1].Closed(), c.goes)
			}
			ping := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}}
			if _, err := f.OnPacketRead(both[1-c.goes], ping); !errors.Is(err, packets.ErrRejectPacket) {
				t.Errorf("the other is heard: %v", err)
			}
		})
	}
}

// An agent that is held up, since nothing is dealt with, gives up and comes back:
// nobody goes on waiting where it was before, neither to bring what it said nor its
// will.
func TestAnAgentThatIsHeldUpCanComeBack(t *testing.T) {
	for name, others := range map[string]int{"by its own messages": 0, "by those of others": queueLength} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				server := mqtt.New(&mqtt.Options{Logger: silent()})
				f := newFeed(&gate{}, server)
				for range others {
					f.deliveries <- Delivery{}
				}
				client := func() *mqtt.Client {
					said := bytes.Repeat(encoded(t, publish(1, 7, nil)), maxWaiting+1)
					c := server.NewClient(&agentConn{Conn: &piecemeal{Reader: bytes.NewReader(said)}}, "agents", mill.ClientID(), false)
					c.Properties.ProtocolVersion = 4
					f.OnSessionEstablished(c, packets.Packet{})
					return c
				}
				c := client()
				ended := make(chan struct{})
				go func() {
					_, _ = io.ReadAll(c.Net.Conn)
					_, _ = f.OnWill(c, mqtt.Will{})
					close(ended)
				}()
				synctest.Wait()
				held := max(others, maxWaiting)
				if len(f.deliveries) != held {
					t.Fatalf("%d messages, want %d and one that waits", len(f.deliveries), held)
				}
				client()
				<-ended // or all wait, which ends the test
				if len(f.deliveries) != held {
					t.Errorf("%d messages after it was gone, want %d", len(f.deliveries), held)
				}
			})
		})
	}
}

// The library, which looks through its clients every second, has none that idles.
func TestAnIdleAgentIsNoneOfTheLibrarysClients(t *testing.T) {
	b, ok := brokers["embedded"](t).(*embedded)
	if !ok {
		t.Fatal("another broker")
	}
	started(t, b)
	lost := make(chan struct{}, 1)
	first := connect(t, b.Addr(), mill, func(o *paho.ClientOptions) {
		o.SetConnectionLostHandler(func(paho.Client, error) { lost <- struct{}{} })
	})
	first.listen(t, mill, topic.Orders)
	if n := b.server.Clients.Len(); n != 0 {
		t.Errorf("the library has %d clients", n)
	}
	second := connect(t, b.Addr(), mill, nil)
	second.listen(t, mill, topic.Orders)
	receive(t, lost) // its place is taken all the same
	if n := len(b.feed.clients()); n != 1 {
		t.Errorf("%d sessions", n)
	}
}
