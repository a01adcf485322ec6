package endtoend

import (
	"math/rand/v2"
	"testing"
	"time"
)

// kills is how many times a program is killed in one network.
const kills = 12

// Coordinator, broker and agents are killed (SIGKILL) at any moment, one after
// the other, each started again a little later. At the end no record is
// missing and none is there twice, and the tables say what the transmitters did.
func TestKillsLoseNothingAndDoubleNothing(t *testing.T) {
	t.Parallel()
	for i, kind := range brokerKinds {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			n := newNetwork(t, kind, fleetText(slotSeconds))
			eventually(t, "the first transmission in the tables", func() bool {
				return n.count("select count(*) from outcomes where kind = 'sent'") > 0
			})
			chance := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), uint64(i)))
			for range kills {
				pause(t, time.Duration(chance.Int64N(int64(4*time.Second))))
				n.killSomething(chance)
			}
			n.runUnheard(beacons[i])
			n.checkAccount()
			if n.count("select count(*) from outcomes where kind = 'aborted'") == 0 {
				t.Log("no kill fell into a transmission this time")
			}
		})
	}
}

// killSomething kills one program and starts it again.
func (n *network) killSomething(chance *rand.Rand) {
	n.t.Helper()
	away := time.Duration(chance.Int64N(int64(3 * time.Second)))
	switch which := chance.IntN(6); {
	case which == 0:
		n.t.Logf("coordinator killed for %s", away)
		n.coordinator.kill()
		pause(n.t, away)
		n.startCoordinator()
	case which == 1 && n.mosquitto != nil:
		n.t.Logf("broker killed for %s", away)
		n.mosquitto.Kill()
		pause(n.t, away)
		n.mosquitto.Start()
	default:
		beacon := beacons[chance.IntN(len(beacons))]
		n.t.Logf("agent %s killed for %s", beacon, away)
		n.agents[beacon].kill()
		pause(n.t, away)
		n.startAgent(beacon)
	}
}

// runUnheard starts an agent anew while the coordinator is away, and ends all
// agents before it is back: what that run wrote down comes with the next one.
func (n *network) runUnheard(beacon string) {
	n.t.Helper()
	n.coordinator.kill()
	n.agents[beacon].kill()
	n.startAgent(beacon)
	n.agents[beacon].waitFor(`link to the broker`)
	n.stopAgents()
	n.startCoordinator()
}

// pause lets the world go on for a while: here it is the moment of a fault that
// is random, not a condition that is waited for.
func pause(t *testing.T, length time.Duration) {
	select {
	case <-time.After(length):
	case <-t.Context().Done():
	}
}
