package fleet

import (
	"strings"
	"testing"
)

func TestReceiversAreRead(t *testing.T) {
	f := mustRead(t, minimal+"receivers:\n  - {name: club-rx, callsign: q9rx, locator: IP62oa}\n")
	one := f.Receiver("club-rx")
	if one == nil || one.Callsign != "Q9RX" || one.Locator.String() != "IP62OA" || f.Receiver("other") != nil {
		t.Fatalf("%+v", one)
	}
	if !f.HasDevice("club-rx") || !f.HasDevice(f.Beacons[0].Name) || f.HasDevice("other") {
		t.Error("beacons and receivers have devices, and nobody else")
	}
	if changes := Changes(mustRead(t, minimal), f); len(changes) != 1 || changes[0].String() != "receiver club-rx: added" {
		t.Errorf("the changes are %v", changes)
	}
	for entry, sentence := range map[string]string{
		"{name: " + f.Beacons[0].Name + ", callsign: Q9RX, locator: IP62oa}":                           "taken",
		"{name: rx, callsign: Q9RX, locator: IP62oa}\n  - {name: rx, callsign: Q9RY, locator: IP62oa}": "taken",
		"{name: Club RX, callsign: Q9RX, locator: IP62oa}":                                             "a-z",
		"{name: rx, callsign: 'Q9 RX', locator: IP62oa}":                                               "as it stands in its reports",
		"{name: rx, callsign: Q9RX, locator: nowhere}":                                                 "nowhere",
		"{name: rx, callsign: Q9RX}":                                                                   "locator",
	} {
		if _, err := Read("test.yaml", []byte(minimal+"receivers:\n  - "+entry+"\n")); err == nil || !strings.Contains(err.Error(), sentence) {
			t.Errorf("%s: %v", entry, err)
		}
	}
}
