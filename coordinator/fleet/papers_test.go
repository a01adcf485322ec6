package fleet_test

import (
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
)

func TestPapersOfASiteAndABeacon(t *testing.T) {
	text := strings.NewReplacer(
		"alert_limits: {supply_low_volts: 11.5}", "papers: [{what: mast permit, valid_to: 2027-03-31}]",
		"alert_limits: {clock_warning_ms: 50}", "papers: [{what: calibration, valid_to: 2027-01-15}], alert_limits: {gps_back_seconds: 10, supply_empty_volts: 10.5}",
	).Replace(alertFleet)
	f, err := fleet.Read("f.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if p := f.Site("hill").Papers; len(p) != 1 || p[0].What != "mast permit" || !p[0].ValidTo.Equal(time.Date(2027, 4, 1, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("hill has %+v", p)
	}
	b := f.Beacon("hill-a")
	if len(b.Papers) != 1 || b.Limits.GPSBack != 10*time.Second || b.Limits.GPSLost != 60*time.Second || *b.Limits.SupplyEmpty != 10.5 {
		t.Errorf("hill-a has %+v, %+v", b.Papers, b.Limits)
	}
	before, err := fleet.Read("f.yaml", []byte(alertFleet))
	if err != nil {
		t.Fatal(err)
	}
	var changes []string
	for _, c := range fleet.Changes(before, f) {
		changes = append(changes, c.String())
	}
	want := []string{
		"beacon hill-a: limit of GPS that is back none -> 10s", "beacon hill-a: limit of empty supply none -> 10.5", "beacon hill-a: limit of the clock 50ms -> none",
		"beacon hill-a: paper calibration none -> to 2027-01-15", "site hill: limit of low supply 11.5 -> none", "site hill: paper mast permit none -> to 2027-03-31",
	}
	if strings.Join(changes, "\n") != strings.Join(want, "\n") {
		t.Errorf("changes:\n%s", strings.Join(changes, "\n"))
	}
	for _, c := range []struct{ old, next, says string }{
		{"valid_to: 2027-01-15", "valid_to: soon", "not a day such as"},
		{"what: calibration, ", "", "needs the key what"},
		{"gps_back_seconds: 10", "gps_back_seconds: 9", "from 10 to 86400"},
	} {
		_, err := fleet.Read("f.yaml", []byte(strings.Replace(text, c.old, c.next, 1)))
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v, want %q", c.next, err, c.says)
		}
	}
}
