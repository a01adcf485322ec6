package orders

import (
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/plan"
)

// A change of what is said in a slot reaches the beacon at once, though no slot
// moves; a change of something else gives nobody new orders.
func TestOrdersFollowWhatABeaconSays(t *testing.T) {
	now := time.Date(2026, 12, 1, 12, 1, 0, 0, time.UTC)
	from := time.Date(2026, 12, 1, 12, 2, 0, 0, time.UTC)
	for _, c := range []struct {
		change, is, becomes string
		anew                bool
	}{
		{"nothing", "share: 0.5", "share: 0.5", false},
		{"less power", "power_dbm: 23", "power_dbm: 20", true},
		{"another call sign", "callsign: Q0TRN", "callsign: Q0TRM", true},
		{"another locator", "locator: IP62oa", "locator: IP63oa", true},
		{"other control", "control: automatic", "control: remote", true},
		{"a note", "power_dbm: 23", `power_dbm: 23, notes: ["The key is at the mill."]`, false},
	} {
		t.Run(c.change, func(t *testing.T) {
			w := NewWriter(7, readFleet(t, twoNear))
			w.Plan = &plan.Plan{SlotSeconds: 120, From: from, To: from.Add(24 * time.Hour), Transmissions: []plan.Transmission{
				{Start: from.Add(4 * time.Minute), Beacon: "hilltop-hf", Band: "40m", FrequencyHz: 7040100},
				{Start: from.Add(10 * time.Minute), Beacon: "mill-hf", Band: "40m", FrequencyHz: 7040100},
			}}
			told := func() (beacons []string) {
				t.Helper()
				round, _, err := w.Decide(now)
				if err != nil {
					t.Fatal(err)
				}
				w.Stored(round, now)
				for _, o := range round {
					beacons = append(beacons, o.Beacon)
				}
				return beacons
			}
			if got := told(); len(got) != 2 {
				t.Fatalf("at first %v are told", got)
			}
			w.SetFleet(readFleet(t, strings.Replace(twoNear, c.is, c.becomes, 1)))
			want := ""
			if c.anew {
				want = "hilltop-hf"
			}
			if got := strings.Join(told(), " "); got != want {
				t.Errorf("after the change %q are told, not %q", got, want)
			}
			if got := told(); len(got) != 0 {
				t.Errorf("and then %v", got)
			}
		})
	}
}
