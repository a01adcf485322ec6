package demo

import (
	_ "embed"
	"fmt"
	"strings"
)

//go:embed fleet.yaml
var ownFleet string

// Fleet is the fleet file of a demo: the demo's own network, or an invented one
// with so many beacons.
func Fleet(beacons int) string {
	if beacons == 0 {
		return ownFleet
	}
	const perSite = 4
	sites := (beacons + perSite - 1) / perSite
	var b strings.Builder
	b.WriteString("# Invented. Slots last half a minute, so that there is something to see.\n" +
		"network: {name: Tern Valley Schools, id: tern-valley, slot_seconds: 30}\nsites:\n")
	for i := range sites {
		fmt.Fprintf(&b, "  - {name: site-%03d, locator: %s, time_zone: Etc/UTC, transmitters_at_once: 2}\n", i+1, place(i))
	}
	b.WriteString("beacons:\n")
	bands := []string{"[40m, 20m]", "[80m, 30m]", "[17m, 15m]", "[10m, 6m]"}
	for i := range beacons {
		shared := ""
		if i%perSite < 2 { // two of each site share an antenna
			shared = ", shared: [mast]"
		}
		fmt.Fprintf(&b, "  - {name: beacon-%03d, callsign: %s, site: site-%03d, control: remote, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, licence: {max_power_dbm: 30}, bands: %s%s}\n",
			i+1, callsign(i), i/perSite+1, bands[i%perSite], shared)
	}
	return b.String()
}

// place is a locator: every site lies in a square of its own.
func place(i int) string {
	return fmt.Sprintf("%c%c%d%doa", 'I'+i/100%8, 'N'+i/800%4, i/10%10, i%10)
}

// callsign is an invented call sign, another one for each beacon.
func callsign(i int) string {
	return fmt.Sprintf("Q%d%c%c", i%10, 'A'+i/10%26, 'A'+i/260%26)
}
