package fleet

import (
	"slices"
	"strings"
	"testing"
)

func TestChanges(t *testing.T) {
	old := mustRead(t, paused)
	tests := []struct {
		old, new string
		want     []string
	}{
		{"callsign: Q1ABC", "callsign: Q1ABC", nil},
		{"callsign: Q1ABC, site: a, control: local, power_dbm: 23, share: 0.2", "callsign: Q1ABC, site: a, control: local, power_dbm: 23, share: 0.3", []string{"beacon one: share 0.2 -> 0.3"}},
		{"bands: [40m, 20m]", "bands: [20m, 40m]", nil},
		{"bands: [40m, 20m]", "bands: [20m, {name: 40m, weight: 1, sun: any, drive: 100}]", nil},
		{"bands: [40m, 20m]", "bands: [40m, 20m, 30m]", []string{"beacon one: band 30m none -> weight 1, sun any, drive 100 %, 23 dBm, local"}},
		{"  - {name: b, locator: FN42ax, time_zone: America/New_York}", "  - {name: mill, locator: JO62}\n  - {name: b, locator: FN42ax, time_zone: America/New_York}", []string{"site mill: added"}},
		{"Little Net", "Little Net, near_km: {40m: 5}", []string{"network: near_km 40m none -> 5"}},
		{"  - {scope: {}, from: 2026-03-07T00:00:01Z, to: 2026-03-07T00:04:00Z}\n", "", []string{"pause of the whole network from 2026-03-07T00:00:01Z to 2026-03-07T00:04:00Z: removed"}},
		{"Europe/Berlin", "Etc/UTC", []string{"site a: time_zone Europe/Berlin -> Etc/UTC"}},
	}
	for _, tt := range tests {
		if strings.Count(paused, tt.old) != 1 {
			t.Fatalf("%q stands there %d times", tt.old, strings.Count(paused, tt.old))
		}
		next := mustRead(t, strings.Replace(paused, tt.old, tt.new, 1))
		var got []string
		for _, c := range Changes(old, next) {
			got = append(got, c.String())
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s:\n got %q\nwant %q", tt.new, got, tt.want)
		}
		if same := old.Digest() == next.Digest(); same != (len(tt.want) == 0) {
			t.Errorf("%s: the digest says same: %v", tt.new, same)
		}
	}
}

// TestDigestIgnoresOrder: the order of sites, beacons and pauses has no meaning.
func TestDigestIgnoresOrder(t *testing.T) {
	a, b := mustRead(t, paused), mustRead(t, paused)
	slices.Reverse(b.Sites)
	slices.Reverse(b.Beacons)
	slices.Reverse(b.Pauses)
	for _, beacon := range b.Beacons {
		slices.Reverse(beacon.Bands)
	}
	if a.Digest() != b.Digest() || len(Changes(a, b)) != 0 {
		t.Error("order changes the digest")
	}
}
