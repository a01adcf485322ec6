package plan

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
)

// crowd is a fleet of many beacons at sites of their own all over the globe, and
// a plan that gives each every tenth slot, so that a tenth of them share a slot
// on 13 bands.
func crowd(t testing.TB, beacons, days int) (*fleet.Fleet, *Plan) {
	t.Helper()
	var text strings.Builder
	text.WriteString("network: {name: Crowd, near_km: 1, max_signals_per_band: 100, guard_hz: 0}\nsites:\n")
	for i := range beacons {
		fmt.Fprintf(&text, "  - {name: s%d, locator: %c%c%d%d%c%c, transmitters_at_once: 1}\n", i, 'A'+i%18, 'A'+i/18%18, i/324%10, i/3240%10, 'a'+i%24, 'a'+i/18%24)
	}
	text.WriteString("beacons:\n")
	for i := range beacons {
		fmt.Fprintf(&text, "  - {name: b%d, callsign: Q1ABC, site: s%d, control: local, power_dbm: 23, share: 0.1, uncertainty_ppm: 0, licence: {max_power_dbm: 30}, bands: [160m, 80m, 60m, 40m, 30m, 20m, 17m, 15m, 12m, 10m, 6m, 4m, 2m]}\n", i, i)
	}
	text.WriteString("pauses: [{scope: {site: s1}, rrule: FREQ=DAILY, start: 2026-01-01T00:00:00, duration: 1s}]\n")
	f, err := fleet.Read("crowd.yaml", []byte(text.String()))
	if err != nil {
		t.Fatal(err)
	}
	p := &Plan{Network: "Crowd", From: midnight, To: midnight.AddDate(0, 0, days), SlotSeconds: 120}
	for n := range days * 720 {
		for i := n % 10; i < beacons; i += 10 {
			if i == 1 && n%720 == 1 {
				continue
			}
			use := f.Beacons[i].Bands[(i/10+n/10)%13]
			p.Transmissions = append(p.Transmissions, Transmission{
				Start: midnight.Add(time.Duration(n) * 2 * time.Minute), Beacon: f.Beacons[i].Name, Band: use.Band.Name,
				FrequencyHz: float64(use.Band.LowHz()+3) + float64(i/130%32)*6,
			})
		}
	}
	p.Transmissions = sortedTransmissions(p.Transmissions)
	listShortfalls(f, p, nil)
	return f, p
}

func BenchmarkCheck1000Beacons1Day(b *testing.B) {
	f, p := crowd(b, 1000, 1)
	for b.Loop() {
		if found := Check(f, p, Extra{}); len(found) != 0 {
			b.Fatal(found[0])
		}
	}
	b.ReportMetric(float64(len(p.Transmissions)), "transmissions")
}

func BenchmarkMeasure1000Beacons1Day(b *testing.B) {
	f, p := crowd(b, 1000, 1)
	for b.Loop() {
		Measure(f, p, Extra{})
	}
}

func BenchmarkDecode1000Beacons1Day(b *testing.B) {
	_, p := crowd(b, 1000, 1)
	data := p.Encode()
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := Decode(data); err != nil {
			b.Fatal(err)
		}
	}
}
