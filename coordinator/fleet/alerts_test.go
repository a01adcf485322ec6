package fleet_test

import (
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
)

const alertFleet = `
network: {name: trial}
sites:
  - {name: hill, locator: JO62qm, time_zone: Europe/Berlin, alert_limits: {supply_low_volts: 11.5}}
  - {name: moor, locator: JO61, time_zone: Europe/Berlin}
beacons:
  - {name: hill-a, site: hill, callsign: Q1ABC, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [10m], alert_limits: {clock_warning_ms: 50}}
  - {name: moor-a, site: moor, callsign: Q1ABD, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [10m]}
alerts:
  limits: {clock_warning_ms: 200, temperature_high_celsius: 60}
  recipients:
    - {name: ada, mail: ada@club.example, time_zone: Europe/Berlin, routes: [{severity: warning, sites: [hill], hours: "22:00-06:00", after_minutes: 15}]}
    - {name: log, topic: true}
dark:
  - {site: moor, from: 2026-12-20T00:00:00Z, to: 2027-01-06T00:00:00Z, reason: holidays}
`

func TestWhoHearsStandsInTheFleetFile(t *testing.T) {
	f, err := fleet.Read("f.yaml", []byte(alertFleet))
	if err != nil {
		t.Fatal(err)
	}
	hill, moor := f.Beacon("hill-a").Limits, f.Beacon("moor-a").Limits
	if hill.ClockWarning != 50*time.Millisecond || *hill.SupplyLow != 11.5 || *hill.TemperatureHot != 60 {
		t.Errorf("hill-a has %+v", hill)
	}
	if moor.ClockWarning != 200*time.Millisecond || moor.SupplyLow != nil || moor.OutboxRecords != 5000 {
		t.Errorf("moor-a has %+v", moor)
	}
	ada := f.Alerts.Recipients[0]
	if r := ada.Routes[0]; r.From != 22*time.Hour || r.To != 6*time.Hour || r.After != 15*time.Minute || ada.Zone.String() != "Europe/Berlin" {
		t.Errorf("ada has %+v", ada)
	}
	in, out := time.Date(2026, 12, 24, 0, 0, 0, 0, time.UTC), time.Date(2027, 1, 6, 0, 0, 0, 0, time.UTC)
	if len(f.DarkAt(in)) != 1 || len(f.DarkAt(out)) != 0 {
		t.Error("moor is dark at the wrong time")
	}
	if len(f.Pauses) != 1 || f.Pauses[0].Scope.Site != "moor" {
		t.Error("a dark site keeps its slots")
	}
}

func TestFindingsOfAlerts(t *testing.T) {
	for _, c := range []struct{ old, next, says string }{
		{"topic: true", "topic: false", "exactly one way"},
		{"22:00-06:00", "22-06", "08:00-22:00"},
		{"sites: [hill]", "sites: [hil]", "did you mean hill?"},
		{"name: log", "name: ada", "another recipient"},
		{"supply_low_volts: 11.5", "supply_low_volts: 15, supply_high_volts: 14", "less than"},
		{"to: 2027-01-06", "to: 2026-01-06", "before it begins"},
	} {
		_, err := fleet.Read("f.yaml", []byte(strings.Replace(alertFleet, c.old, c.next, 1)))
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v, want %q", c.next, err, c.says)
		}
	}
}
