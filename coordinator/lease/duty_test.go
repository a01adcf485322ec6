package lease

import (
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
)

const dutyFleet = `
network: {name: Tern Valley Schools, id: tern-valley}
sites:
  - {name: hilltop, locator: IP62oa, duty: required}
  - {name: mill, locator: IP53bb}
beacons:
  - {name: hill-remote, callsign: Q0TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.5, bands: [40m]}
  - {name: hill-mixed, callsign: Q1TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.5, bands: [30m, {name: 10m, control: automatic}]}
  - {name: mill-remote, callsign: Q2TRN, site: mill, control: remote, power_dbm: 23, share: 0.5, bands: [40m]}
`

// Where duty is required, remote control lasts while somebody is in control, and
// no lease outlasts who is. What is automatic or elsewhere goes on.
func TestRemoteLeasesNeedSomebodyInControl(t *testing.T) {
	f := readFleet(t, dutyFleet)
	for name, c := range map[string]struct {
		beacon string
		duty   time.Duration // from now; 0: nobody
		remote time.Duration // granted; 0: none
		auto   time.Duration
	}{
		"nobody":                        {"hill-remote", 0, 0, 0},
		"somebody for hours":            {"hill-remote", time.Hour, 180 * time.Second, 0},
		"somebody for one minute more":  {"hill-remote", time.Minute, time.Minute, 0},
		"over a second ago":             {"hill-remote", -time.Second, 0, 0},
		"nobody, and a band unattended": {"hill-mixed", 0, 0, 6 * time.Hour},
		"somebody, and the same":        {"hill-mixed", time.Hour, 180 * time.Second, 6 * time.Hour},
		"a site that asks for nobody":   {"mill-remote", 0, 180 * time.Second, 0},
	} {
		known := Known{HeldKnown: true, Now: noon}
		if c.duty != 0 {
			known.Duty = noon.Add(c.duty)
		}
		d := NewBook(f).Decide(Request{Beacon: c.beacon, Run: "a", BootID: "k", Reader: Format}, known)
		got := map[fleet.Control]time.Duration{}
		for _, term := range d.Terms {
			got[term.Control] = term.Length
		}
		if got[fleet.Remote] != c.remote || got[fleet.Automatic] != c.auto {
			t.Errorf("%s: %v", name, got)
		}
		if none := c.remote == 0 && c.auto == 0; none != (d.Refusal == NoControlOperator) || none != strings.Contains(d.Sentence, "nobody is in control of site hilltop") {
			t.Errorf("%s: %q, %q", name, d.Refusal, d.Sentence)
		}
		if longest := max(c.remote, c.auto); longest > 0 && !d.Until.Equal(noon.Add(longest)) {
			t.Errorf("%s: until %v", name, d.Until)
		}
	}
}
