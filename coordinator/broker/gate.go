package broker

import (
	"log/slog"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/devices"
	"lamplighter/proto/topic"
)

// Refusal says why the embedded broker turned something away.
type Refusal string

// The refusals.
const (
	NotAnAgent      Refusal = "not_an_agent"     // the client id is no address in this network
	LastingSession  Refusal = "lasting_session"  // the session would outlive the connection
	NoKeepAlive     Refusal = "no_keep_alive"    // a dead connection would not be noticed
	ForeignWill     Refusal = "foreign_will"     // the will is not its own presence
	ForeignWrite    Refusal = "foreign_write"    // it writes a topic that is not its own up topic
	ForeignRead     Refusal = "foreign_read"     // it reads a topic that is not its own down topic
	HandshakeTooFar Refusal = "quality_too_high" // QoS 2
	ForeignName     Refusal = "foreign_name"     // its certificate is another beacon's
	NotAccepted     Refusal = "not_accepted"     // its certificate does not count
)

func refusals() []Refusal {
	return []Refusal{NotAnAgent, LastingSession, NoKeepAlive, ForeignWill, ForeignWrite, ForeignRead, HandshakeTooFar, ForeignName, NotAccepted}
}

// maxKeepAlive is the longest time in seconds that an agent may be silent.
const maxKeepAlive = 300

// gate is the hook that decides who may connect, write and read.
type gate struct {
	mqtt.HookBase
	network  string
	devices  Devices // nil: an id is a claim
	log      *slog.Logger
	refusals *prometheus.CounterVec
}

// ID names the hook.
func (g *gate) ID() string { return "gate" }

// Provides lists the calls that the hook wants.
func (g *gate) Provides(call byte) bool {
	switch call {
	case mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPacketRead:
		return true
	}
	return false
}

// OnConnectAuthenticate says whether a client may connect.
func (g *gate) OnConnectAuthenticate(client *mqtt.Client, packet packets.Packet) bool {
	reason, ok := g.connect(client.ID, packet)
	if ok {
		reason, ok = g.prove(client)
	}
	if !ok {
		g.refuse(reason, client, "")
	}
	return ok
}

func (g *gate) connect(id string, packet packets.Packet) (Refusal, bool) {
	address, err := topic.ParseClientID(id)
	asked := packet.Connect
	switch {
	case err != nil || address.Network != g.network:
		return NotAnAgent, false
	case !asked.Clean || packet.Properties.SessionExpiryInterval > 0:
		return LastingSession, false
	case asked.Keepalive == 0 || asked.Keepalive > maxKeepAlive:
		return NoKeepAlive, false
	case asked.WillFlag && asked.WillTopic != address.Topic(topic.Presence):
		return ForeignWill, false
	}
	return "", true
}

// prove says whether a client is who it says.
func (g *gate) prove(client *mqtt.Client) (Refusal, bool) {
	if g.devices == nil {
		return "", true
	}
	beacon, reason := g.devices.Admit(shown(client))
	if reason != devices.Accepted {
		return NotAccepted, false
	}
	if client.ID != (topic.Address{Network: g.network, Beacon: beacon}).ClientID() {
		return ForeignName, false
	}
	return "", true
}

// OnACLCheck says whether a client may write to a topic, or read it.
func (g *gate) OnACLCheck(client *mqtt.Client, name string, write bool) bool {
	reason, ok := mayUse(client.ID, name, write)
	if !ok {
		g.refuse(reason, client, name)
	}
	return ok
}

func mayUse(id, name string, write bool) (Refusal, bool) {
	refusal := ForeignRead
	if write {
		refusal = ForeignWrite
	}
	address, kind, err := topic.Parse(name)
	if err != nil || address.ClientID() != id || kind.Down() == write {
		return refusal, false
	}
	return "", true
}

// OnPacketRead ends the connection of a client that publishes with QoS 2.
func (g *gate) OnPacketRead(client *mqtt.Client, packet packets.Packet) (packets.Packet, error) {
	if packet.FixedHeader.Type == packets.Publish && packet.FixedHeader.Qos > 1 {
		g.refuse(HandshakeTooFar, client, packet.TopicName)
		return packet, packets.ErrRejectPacket
	}
	return packet, nil
}

func (g *gate) refuse(reason Refusal, client *mqtt.Client, name string) {
	g.refusals.WithLabelValues(string(reason)).Inc()
	g.log.Warn("the broker turned something away", "reason", string(reason),
		"client", shorten(client.ID), "topic", shorten(name), "remote", client.Net.Remote)
}

// shorten keeps what strangers send from filling the log.
func shorten(text string) string {
	const most = 200
	if len(text) > most {
		return text[:most] + "…"
	}
	return text
}
