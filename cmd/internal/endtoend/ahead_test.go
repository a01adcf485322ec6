package endtoend

import (
	"net/url"
	"strings"
	"testing"
)

// While the coordinator can't reach its database a hush goes out all the same:
// transmitters in mid-transmission stop, an agent that is killed under it stays
// silent, and once the database answers it is a hush like any other.
func TestAHushReachesTransmittersWhileTheDatabaseIsAway(t *testing.T) {
	t.Parallel()
	const long = 12 // seconds a slot: a transmission of 11 s
	for how, away := range map[string]cableState{"nobody is there": parted, "it says nothing": silent} {
		t.Run(how, func(t *testing.T) {
			t.Parallel()
			n := bareNetwork(t)
			address, err := url.Parse(n.database)
			if err != nil {
				t.Fatal(err)
			}
			database := newCable(t, address.Host)
			address.Host = database.at()
			n.database = address.String()
			n.startCoordinator()
			must(t, lamplighter, "fleet", "apply", "--server", n.grpc, write(t, n.folder, "fleet.yaml", fleetText(long)))
			for _, beacon := range beacons {
				n.configure(beacon)
				n.startAgent(beacon)
			}
			onAir := func() (on []string) {
				for _, beacon := range beacons {
					if all := n.emissions(beacon); len(all) > 0 && all[len(all)-1].unkeyed.IsZero() && len(all[len(all)-1].tones) > 10 {
						on = append(on, beacon)
					}
				}
				return on
			}
			eventually(t, "a beacon in mid-transmission", func() bool { return len(onAir()) > 0 })
			database.set(away)
			eventually(t, "a beacon in mid-transmission, without a database", func() bool { return len(onAir()) > 0 })
			r := command(t, lamplighter, "hush", "--server", n.grpc, "--reason", "somebody is on the mast")
			if r.exit != 1 || !strings.Contains(r.stderr, "ahead of it") {
				t.Fatalf("hush: exit %d\n%s%s", r.exit, r.stdout, r.stderr)
			}
			eventually(t, "silence", func() bool { return len(onAir()) == 0 })
			silence := n.keyDowns()
			if r := command(t, lamplighter, "release", "--server", n.grpc, "--reason", "the mast is free"); r.exit == 0 {
				t.Errorf("a release without a database: %s%s", r.stdout, r.stderr)
			}
			n.agents[beacons[0]].kill()
			n.startAgent(beacons[0])
			passed := n.count("select count(*) from order_slots where start_at < now()")
			eventually(t, "slots gone by", func() bool {
				return n.count("select count(*) from order_slots where start_at < now()") >= passed+6
			})
			if now := n.keyDowns(); now != silence {
				t.Errorf("%d key-downs under the hush", now-silence)
			}

			database.set(whole)
			eventually(t, "the hush is stored", func() bool {
				return n.count("select count(*) from hushes where released_at is null and reason = 'somebody is on the mast'") > 0
			})
			for _, beacon := range beacons {
				eventually(t, beacon+" is hushed", func() bool { return n.status()[beacon].State == "hushed" })
			}
			if now := n.keyDowns(); now != silence {
				t.Errorf("%d key-downs under the hush, with the database back", now-silence)
			}
			must(t, lamplighter, "release", "--server", n.grpc, "--reason", "the mast is free")
			eventually(t, "a transmission after the release", func() bool { return n.keyDowns() > silence })
		})
	}
}
