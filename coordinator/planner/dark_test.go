package planner_test

import (
	"fmt"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
)

// A site that was dark for three days as its fleet file says comes back to its
// share, no more. Had it been off without a word, it would be owed airtime.
//
// There is room for one signal, and both want seven slots of ten: they have had
// half each, but for the days on which school-a was off.
func TestADarkSiteHasNoClaimWhenItIsBack(t *testing.T) {
	const file = `
network: {name: Two, max_signals_per_band: 1}
sites: [{name: school, locator: JO62qm}, {name: hill, locator: IP62oa}]
beacons:
  - {name: school-a, callsign: Q1AAA, site: school, control: automatic, power_dbm: 23, share: 0.7, uncertainty_ppm: 0.05, licence: {max_power_dbm: 30}, bands: [40m]}
  - {name: hill-a, callsign: Q1BBB, site: hill, control: automatic, power_dbm: 23, share: 0.7, uncertainty_ppm: 0.05, licence: {max_power_dbm: 30}, bands: [40m]}
`
	back := from.Add(4 * day)
	history := &plan.Plan{Network: "Two", From: from, To: back, SlotSeconds: 120}
	for at := from; at.Before(back); at = at.Add(4 * time.Minute) {
		if at.Before(from.Add(day)) {
			history.Transmissions = append(history.Transmissions, plan.Transmission{Start: at, Beacon: "school-a", Band: "40m", FrequencyHz: 7_040_100, Message: "full"})
		}
		history.Transmissions = append(history.Transmissions, plan.Transmission{Start: at.Add(2 * time.Minute), Beacon: "hill-a", Band: "40m", FrequencyHz: 7_040_100, Message: "full"})
	}
	dark := fmt.Sprintf("dark: [{site: school, from: %s, to: %s, reason: holidays}]\n", from.Add(day).Format(time.RFC3339), back.Format(time.RFC3339))
	for _, c := range []struct {
		name, text string
		claims     bool
	}{{"declared", file + dark, false}, {"off without a word", file, true}} {
		f, err := fleet.Read("f.yaml", []byte(c.text))
		if err != nil {
			t.Fatal(err)
		}
		in := planner.Input{Fleet: f, From: back, To: back.Add(day), History: history}
		p := makePlan(t, in)
		mustHold(t, in, p)
		got := map[string]int{}
		for _, x := range p.Transmissions {
			got[x.Beacon]++
		}
		t.Logf("%s: %v", c.name, got)
		apart := got["school-a"] - got["hill-a"]
		if !c.claims && (apart < -1 || apart > 1) {
			t.Errorf("%s: %v, want the same for both", c.name, got)
		}
		if c.claims && apart < 100 { // else this test could not fail
			t.Errorf("%s: %v, want clearly more for school-a", c.name, got)
		}
		for _, x := range makePlan(t, planner.Input{Fleet: f, From: back.Add(-day), To: back, History: nil}).Transmissions {
			if !c.claims && x.Beacon == "school-a" {
				t.Fatalf("the dark site has a slot at %s", x.Start)
			}
		}
	}
}
