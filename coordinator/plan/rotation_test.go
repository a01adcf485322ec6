package plan

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fleet"
)

const (
	rotationPeriod = 180 // seconds
	rotationTurn   = 10
)

// rotation reads the published rotation (testdata says whose): the second of the
// period at which each of 18 sites begins on each of five bands.
func rotation(t *testing.T) (starts [18][5]int) {
	t.Helper()
	file, err := os.Open("testdata/rotation-18x5.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close() //nolint:errcheck // only read
	lines, site := bufio.NewScanner(file), 0
	for lines.Scan() {
		if cells := strings.Split(lines.Text(), ","); len(cells) == 6 && !strings.HasPrefix(cells[0], "s") {
			for b := range starts[site] {
				if starts[site][b], err = strconv.Atoi(cells[b+1]); err != nil {
					t.Fatal(err)
				}
			}
			site++
		}
	}
	if site != 18 {
		t.Fatalf("%d sites", site)
	}
	return starts
}

// rotationFleet: every site is near every other, so that one signal at a time
// may be on a band. Dials are 1500 Hz below the published frequencies.
func rotationFleet(t *testing.T) *fleet.Fleet {
	text := `network:
  name: Rotation
  slot_seconds: 10
  near_km: 20038
  bands: [{name: 20m, dial_hz: 14098500}, {name: 17m, dial_hz: 18108500}, {name: 15m, dial_hz: 21148500}, {name: 12m, dial_hz: 24928500}, {name: 10m, dial_hz: 28198500}]
sites:
`
	for i := range 18 {
		text += fmt.Sprintf("  - {name: site-%02d, locator: %c%c55}\n", i+1, 'A'+i, 'A'+(i*7)%18)
	}
	text += "beacons:\n"
	for i := range 18 {
		text += fmt.Sprintf("  - {name: b-%02d, callsign: Q1AB%c, site: site-%02d, control: local, power_dbm: 50, share: 1, uncertainty_ppm: 0.01, licence: {max_power_dbm: 50}, bands: [20m, 17m, 15m, 12m, 10m]}\n", i+1, 'A'+i, i+1)
	}
	return mustFleet(t, text)
}

const rotationPeriods = 2

func rotationPlan(f *fleet.Fleet, starts [18][5]int) *Plan {
	p := &Plan{Network: f.Network.Name, From: midnight, To: midnight.Add(rotationPeriods * rotationPeriod * time.Second), SlotSeconds: 10}
	for i, site := range starts {
		for b, second := range site {
			for period := range rotationPeriods {
				use := f.Beacons[i].Bands[b]
				p.Transmissions = append(p.Transmissions, Transmission{
					Start:  midnight.Add(time.Duration(period*rotationPeriod+second) * time.Second),
					Beacon: f.Beacons[i].Name, Band: use.Band.Name, FrequencyHz: use.Band.CentreHz(),
				})
			}
		}
	}
	p.Transmissions = slices.Clone(sortedTransmissions(p.Transmissions))
	listShortfalls(f, p, nil)
	return p
}

func TestPublishedRotation(t *testing.T) {
	f, starts := rotationFleet(t), rotation(t)
	p := rotationPlan(f, starts)
	if found := Check(f, p, Extra{}); len(found) != 0 {
		t.Fatalf("collision-free by publication: %v", found)
	}
	// Every band is always occupied by exactly one site, and all have the same.
	if slots := rotationPeriods * rotationPeriod / rotationTurn; len(p.Transmissions) != 5*slots {
		t.Errorf("%d transmissions in %d slots on 5 bands", len(p.Transmissions), slots)
	}
	figures := Measure(f, p, Extra{})
	if math.Abs(figures.Jain-1) > 1e-12 {
		t.Errorf("Jain's index %v", figures.Jain)
	}
	for _, b := range figures.Beacons {
		if b.Granted != 5*rotationPeriods || b.OpenSlots != 18*rotationPeriods { // 50 s of 180
			t.Errorf("%+v", b)
		}
	}
}

// TestMovedRotation: any entry moved by 10 s is a collision.
func TestMovedRotation(t *testing.T) {
	f, starts := rotationFleet(t), rotation(t)
	for site := range starts {
		for b := range starts[site] {
			for _, by := range []int{rotationTurn, rotationPeriod - rotationTurn} {
				moved := starts
				moved[site][b] = (starts[site][b] + by) % rotationPeriod
				found := Check(f, rotationPlan(f, moved), Extra{})
				if !strings.Contains(rules(found), string(NearSites)) {
					t.Errorf("site %d, band %d moved by %d s: %v", site+1, b, by, found)
				}
			}
		}
	}
}
