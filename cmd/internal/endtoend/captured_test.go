package endtoend

import (
	"log/slog"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// captured is a broker in the hands of somebody who wants to key transmitters.
// It keeps whatever goes down to agents, and at its will withholds it, and says
// it again later, in another order, to others, or changed.
type captured struct {
	mochi.HookBase
	server *mochi.Server
	at     string

	mu     sync.Mutex
	random *rand.Rand
	hold   float64          // the part of messages that is withheld
	kept   []packets.Packet // down to agents

	replays *rand.Rand // of whoever plagues
}

func captureBroker(t *testing.T) *captured {
	t.Helper()
	c := &captured{random: rand.New(rand.NewPCG(1, 2)), replays: rand.New(rand.NewPCG(3, 4)), server: mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})}
	if err := c.server.AddHook(c, nil); err != nil {
		t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := c.server.AddListener(listener); err != nil {
		t.Fatal(err)
	}
	if err := c.server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.server.Close() })
	c.at = listener.Address()
	return c
}

// ID names the hook.
func (c *captured) ID() string { return "captured" }

// Provides lists the calls that the hook wants.
func (c *captured) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck || b == mochi.OnPublish
}

// OnConnectAuthenticate lets everybody in.
func (c *captured) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

// OnACLCheck lets everybody do everything.
func (c *captured) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// OnPublish keeps, and withholds.
func (c *captured) OnPublish(client *mochi.Client, p packets.Packet) (packets.Packet, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if client.Net.Inline || !strings.Contains(p.TopicName, "/down/") {
		return p, nil
	}
	if len(c.kept) < 2000 {
		c.kept = append(c.kept, p)
	}
	if c.random.Float64() < c.hold {
		return p, packets.ErrRejectPacket
	}
	return p, nil
}

// plague says so many of the messages kept again.
func (c *captured) plague(t *testing.T, times int) {
	t.Helper()
	c.mu.Lock()
	kept, random := append([]packets.Packet(nil), c.kept...), c.replays
	c.mu.Unlock()
	for range times {
		p := kept[random.IntN(len(kept))]
		payload, name := append([]byte(nil), p.Payload...), p.TopicName
		switch random.IntN(4) {
		case 0: // as it was
		case 1: // to somebody else
			name = kept[random.IntN(len(kept))].TopicName
		case 2: // changed in one place, or cut short
			if len(payload) > 0 {
				payload[random.IntN(len(payload))] ^= byte(1 + random.IntN(255))
			}
		case 3:
			payload = payload[:random.IntN(len(payload)+1)]
		}
		if err := c.server.Publish(name, payload, random.IntN(2) == 0, 1); err != nil {
			t.Fatal(err)
		}
	}
}

// Whatever a captured broker does, nothing is sent that was not ordered, and a
// hush that has arrived stays.
func TestACapturedBrokerKeysNothing(t *testing.T) {
	t.Parallel()
	c := captureBroker(t)
	n := bareNetwork(t)
	n.mqtt = c.at
	n.external = "tcp://" + c.at
	n.startCoordinator()
	must(t, lamplighter, "fleet", "apply", "--server", n.grpc, write(t, n.folder, "fleet.yaml", fleetText(slotSeconds)))
	for _, beacon := range beacons {
		n.configure(beacon)
		n.startAgent(beacon)
	}
	c.mu.Lock()
	c.hold = 0.2
	c.mu.Unlock()
	eventually(t, "transmissions while a fifth of all orders, leases and receipts is withheld", func() bool {
		if n.keyDowns() > 0 {
			c.plague(t, 20)
		}
		return n.keyDowns() >= 6
	})
	c.mu.Lock()
	c.hold = 0 // so that the hush arrives
	c.mu.Unlock()
	command(t, lamplighter, "hush", "--server", n.grpc, "--reason", "so that any key-down is the thief's") // it may say that one has not confirmed yet
	for _, beacon := range beacons {
		n.agents[beacon].waitFor(`hush_accepted.*the thief's`)
	}
	silence := n.keyDowns()
	c.mu.Lock()
	c.hold = 1 // the coordinator's own voice is heard no more
	c.mu.Unlock()
	gone := n.count("select count(distinct slot) from order_slots where start_at < now()")
	eventually(t, "two slots gone by under everything that was ever said", func() bool {
		c.plague(t, 50)
		return n.count("select count(distinct slot) from order_slots where start_at < now()") >= gone+2
	})
	if now := n.keyDowns(); now != silence {
		t.Errorf("%d key-downs under the hush", now-silence)
	}
	for _, beacon := range beacons {
		for _, e := range n.emissions(beacon) {
			if n.count("select count(*) from order_slots where beacon = $1 and slot = $2", beacon, e.slot(slotSeconds)) == 0 {
				t.Errorf("%s sent at %s, for which it was never ordered", beacon, e.keyed)
			}
		}
	}
}
