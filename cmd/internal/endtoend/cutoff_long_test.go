//go:build long

package endtoend

import "testing"

// A beacon under remote control whose link is gone, without anybody being told,
// is silent when its lease is over: after three minutes at most (47 CFR
// 97.213(b)). One under automatic control goes on. With the link back, so does
// the first.
func TestARemoteBeaconIsSilentWithoutItsLink(t *testing.T) {
	w := newWide(t, fleetText(slotSeconds))
	w.watchLeases()
	for _, beacon := range beacons {
		w.join(beacon)
	}
	const remote, automatic = "mill-a", "harbour-a"
	for _, beacon := range []string{remote, automatic} {
		eventually(t, beacon+" on the air", func() bool { return len(w.emissions(beacon)) > 0 })
		w.cables[beacon].set(silent)
	}
	begun := len(w.emissions(automatic))
	eventually(t, "the lease has less than half a minute left", func() bool {
		return w.count("select count(*) from leases where beacon = $1 and expires_at < now() + interval '30 s'", remote) == 1
	})
	eventually(t, "the lease is over", func() bool {
		return w.count("select count(*) from leases where beacon = $1 and expires_at < now()", remote) == 1
	})
	silence, missed := len(w.emissions(remote)), w.ordered(remote)
	eventually(t, "two of its slots gone by", func() bool { return w.ordered(remote) >= missed+2 })
	if now := len(w.emissions(remote)); now != silence {
		t.Errorf("%d key-downs of %s without a lease", now-silence, remote)
	}
	if len(w.emissions(automatic)) == begun {
		t.Errorf("%s, under automatic control, was silent too", automatic)
	}
	for _, beacon := range []string{remote, automatic} {
		w.cables[beacon].set(whole)
	}
	eventually(t, remote+" on the air again", func() bool { return len(w.emissions(remote)) > silence })
	w.prove()
}

// ordered counts a beacon's slots until now.
func (w *wide) ordered(beacon string) int {
	w.t.Helper()
	return w.count("select count(*) from order_slots where beacon = $1 and start_at < now()", beacon)
}
