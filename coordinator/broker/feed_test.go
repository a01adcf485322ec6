package broker

import (
	"errors"
	"testing"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"lamplighter/proto/topic"
)

// An older connection of an agent may be established after a newer one, and end:
// then the newer has no session. Whatever it says next ends it.
func TestAConnectionWithoutASessionEnds(t *testing.T) {
	var dropped int64
	f := newFeed(&gate{}, &dropped)
	older, newer := &mqtt.Client{ID: mill.ClientID()}, &mqtt.Client{ID: mill.ClientID()}
	f.OnSessionEstablished(newer, packets.Packet{})
	f.OnSessionEstablished(older, packets.Packet{})
	f.OnDisconnect(older, nil, false)
	for kind, ends := range map[byte]bool{packets.Connect: false, packets.Disconnect: false, packets.Pingreq: true, packets.Subscribe: true, packets.Publish: true} {
		p := packets.Packet{FixedHeader: packets.FixedHeader{Type: kind}, TopicName: mill.Topic(topic.Health)}
		if _, err := f.OnPacketRead(newer, p); errors.Is(err, packets.ErrRejectPacket) != ends {
			t.Errorf("packet %d: %v", kind, err)
		}
	}
}
