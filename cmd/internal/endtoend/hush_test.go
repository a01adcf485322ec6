package endtoend

import (
	"strings"
	"testing"
	"time"
)

// In mid-transmission a hush reaches every transmitter within a second; the
// command says so of each beacon; nothing is keyed until the release, over
// restarts of agents and coordinator too; then the fleet goes on.
func TestAHushReachesTransmittersInMidTransmission(t *testing.T) {
	t.Parallel()
	const long = 12 // seconds a slot: a transmission of 11 s
	for _, kind := range brokerKinds {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			n := newNetwork(t, kind, fleetText(long))
			onAir := func(beacon string) bool {
				all := n.emissions(beacon)
				return len(all) > 0 && all[len(all)-1].unkeyed.IsZero() && len(all[len(all)-1].tones) > 10
			}
			var on string
			eventually(t, "a beacon in mid-transmission", func() bool {
				for _, beacon := range beacons {
					if onAir(beacon) {
						on = beacon
						return true
					}
				}
				return false
			})
			// What a command costs on a machine as busy as this one is now.
			began := time.Now()
			must(t, lamplighter, "status", "--server", n.grpc)
			limit := max(time.Second, 3*time.Since(began))
			asked := time.Now()
			r := command(t, lamplighter, "hush", "--server", n.grpc, "--reason", "somebody is on the mast")
			if r.exit != 0 {
				t.Fatalf("hush: exit %d\n%s%s", r.exit, r.stdout, r.stderr)
			}
			for _, beacon := range beacons {
				if !strings.Contains(r.stdout, beacon) {
					t.Errorf("hush says nothing of %s:\n%s", beacon, r.stdout)
				}
			}
			all := n.emissions(on)
			last := all[len(all)-1]
			if last.unkeyed.IsZero() {
				t.Fatalf("%s is still on the air after the hush was confirmed", on)
			}
			took := last.unkeyed.Sub(asked)
			t.Logf("%s was silent %s after the command was typed, symbol %d of 162", on, took, len(last.tones))
			if took > limit {
				t.Errorf("%s was silent only after %s; allowed: %s", on, took, limit)
			}
			silence := n.keyDowns()

			n.agents[on].kill()
			n.coordinator.kill()
			n.startCoordinator()
			n.startAgent(on)
			eventually(t, "a slot skipped because of the hush, by the agent that was killed under it", func() bool {
				return n.count("select count(*) from outcomes where beacon = $1 and kind = 'skipped' and reason = 'hushed'", on) >= 1
			})
			if now := n.keyDowns(); now != silence {
				t.Errorf("%d key-downs under the hush", now-silence)
			}
			if s := n.status()[on]; s.State != "hushed" {
				t.Errorf("status of %s: %s", on, s.State)
			}

			must(t, lamplighter, "release", "--server", n.grpc, "--reason", "the mast is free")
			eventually(t, "a transmission after the release", func() bool { return n.keyDowns() > silence })
		})
	}
}

// keyDowns counts what all transmitters have begun to send.
func (n *network) keyDowns() int {
	count := 0
	for _, beacon := range beacons {
		count += len(n.emissions(beacon))
	}
	return count
}
