package planner_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
)

// TestWhyNot lays a plan by hand in which one of two beacons of a site with one
// transmitter has the slot.
func TestWhyNot(t *testing.T) {
	f, err := fleet.Read("fleet.yaml", []byte(`network: {name: Tern Valley}
sites:
  - {name: hilltop, locator: IN87oa, time_zone: Etc/UTC}
beacons:
  - {name: first, callsign: Q0TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.2, bands: [40m, 20m]}
  - {name: second, callsign: Q1TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.2, bands: [40m, 30m]}
pauses:
  - {scope: {beacon: second, band: 30m}, from: 2026-12-01T00:00:00Z, to: 2026-12-01T01:00:00Z, reason: mast work}
`))
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	in := planner.Input{Fleet: f, From: from, To: from.Add(24 * time.Hour)}
	p := &plan.Plan{Network: "Tern Valley", From: in.From, To: in.To, SlotSeconds: 120, Transmissions: []plan.Transmission{
		{Start: from.Add(20 * time.Minute), Beacon: "first", Band: "40m", FrequencyHz: 7040100},
	}}

	has, err := planner.AskWhyNot(in, p, "first", from.Add(21*time.Minute))
	if err != nil || has.Planned != "40m" || has.Granted != 1 || has.Wanted != 144 {
		t.Errorf("whoever has the slot is told %+v, %v", has, err)
	}
	hasNot, err := planner.AskWhyNot(in, p, "second", from.Add(20*time.Minute))
	if err != nil || hasNot.Planned != "" || len(hasNot.Bands) != 2 {
		t.Fatalf("whoever has it not is told %+v, %v", hasNot, err)
	}
	says := func(b planner.BandWhyNot, words string) bool {
		return slices.ContainsFunc(b.Limits, func(s string) bool { return strings.Contains(s, words) })
	}
	if on40 := hasNot.Bands[1]; !says(on40, "one transmitter at once") || !says(on40, "never use one band at once") || !slices.Equal(on40.OnIt, []string{"first"}) {
		t.Errorf("on 40m: %+v", on40)
	}
	if on30 := hasNot.Bands[0]; !says(on30, "pauses") || says(on30, "never use one band at once") {
		t.Errorf("on 30m: %+v", on30)
	}
	free, err := planner.AskWhyNot(in, p, "second", from.Add(40*time.Minute))
	if err != nil || len(free.Bands[1].Limits) != 0 {
		t.Errorf("in a free slot: %+v, %v", free, err)
	}
	for _, wrong := range []struct {
		beacon string
		at     time.Time
	}{{"nobody", from}, {"first", from.Add(-time.Second)}, {"first", in.To}} {
		if _, err := planner.AskWhyNot(in, p, wrong.beacon, wrong.at); err == nil {
			t.Errorf("%v is answered", wrong)
		}
	}
}
