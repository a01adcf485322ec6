package sim

import (
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
)

const twoSites = `
network: {name: Tern Valley}
sites:
  - {name: hilltop, locator: IP62oa}
  - {name: harbour, locator: JO20bb}
beacons:
  - {name: hilltop-hf, callsign: Q0TRN, site: hilltop, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [40m]}
  - {name: harbour-hf, callsign: Q1TRN, site: harbour, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [20m]}
`

func readFleet(t testing.TB, text string) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Read("fleet.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// The hilltop loses power for half a day: it sends half of what it was to, the
// harbour all, and nothing is broken.
func TestTheHilltopWithoutPower(t *testing.T) {
	f := readFleet(t, twoSites)
	faults, err := ReadFaults([]byte("faults:\n  - {what: power, site: hilltop, from: 6h, for: 12h}\n"), f)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Run(Options{Seed: 1, Fleets: []*fleet.Fleet{f}, Began: buildDate.Add(30 * 24 * time.Hour), Long: 24 * time.Hour, Plan: faults})
	if err != nil {
		t.Fatal(err)
	}
	hilltop, harbour := r.Beacons[0], r.Beacons[1]
	if hilltop.Planned < 140 || hilltop.OnAir < 66 || hilltop.OnAir > 78 || hilltop.LongestSilence < 12*time.Hour || hilltop.LongestSilence > 13*time.Hour {
		t.Errorf("the hilltop: %+v", hilltop)
	}
	if harbour.Planned < 140 || harbour.OnAir < harbour.Planned-2 || harbour.LongestSilence > time.Hour {
		t.Errorf("the harbour: %+v", harbour)
	}
	for _, v := range r.Violations {
		t.Error(v)
	}
}

func TestWhatIsWrongInAFileOfFaultsIsSaid(t *testing.T) {
	f := readFleet(t, twoSites)
	for text, want := range map[string]string{
		"":           "0 faults",
		"faults: []": "0 faults",
		"faults: [{what: meteor, from: 1h, for: 1h}]":                      "fault 1: what",
		"faults: [{what: power, site: moon, from: 1h, for: 1h}]":           "no site",
		"faults: [{what: power, beacon: moon, from: 1h, for: 1h}]":         "no beacon",
		"faults: [{what: broker, site: hilltop, from: 1h, for: 1h}]":       "everybody's",
		"faults: [{what: power, from: -1h, for: 1h}]":                      "from",
		"faults: [{what: power, from: 1h}]":                                "for",
		"faults: [{what: power, from: 1h, for: 99d}]":                      "for",
		"faults: [{what: power, from: soon, for: 1h}]":                     "length of time",
		"faults: [{what: power, from: 1h, for: 1h, colour: red}]":          "no file of faults",
		"faults: [" + strings.Repeat("{what: power, for: 1h},", 300) + "]": "1 to 200",
		strings.Repeat("#", MaxFile+1):                                     "at most",
	} {
		if _, err := ReadFaults([]byte(text), f); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60s: %v, want %q", text, err, want)
		}
	}
}

func FuzzReadFaults(fuzz *testing.F) {
	f := readFleet(fuzz, twoSites)
	for _, text := range []string{
		"faults:\n  - {what: power, site: hilltop, from: 6h, for: 1d}\n", "faults: [{what: broker, for: 90s}]", "faults: {", "- &a [*a]",
	} {
		fuzz.Add([]byte(text))
	}
	fuzz.Fuzz(func(t *testing.T, text []byte) {
		list, err := ReadFaults(text, f)
		if err != nil {
			return
		}
		for _, p := range list {
			if p.check(f) != nil {
				t.Errorf("let through: %+v", p)
			}
		}
	})
}
