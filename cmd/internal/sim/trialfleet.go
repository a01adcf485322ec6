package sim

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
)

// TrialFleets invents a network of 8 sites and 24 beacons in some versions: of
// few bands and near each other, so that slots are scarce, with each kind of
// control, pairs of messages, shared equipment, the sun, and pauses.
func TrialFleets(seed uint64, began time.Time) ([]*fleet.Fleet, error) {
	t := trial{chance: rand.New(rand.NewPCG(seed, 2)), began: began}
	var list []*fleet.Fleet
	for version := range 5 {
		f, err := fleet.Read("trial.yaml", []byte(t.text(version)))
		if err != nil {
			return nil, fmt.Errorf("the fleet of seed %d: %w", seed, err)
		}
		list = append(list, f)
	}
	return list, nil
}

// Of these versions half of the beacons has more than the others, in one the one
// half and in one the other: from one to the other slots change hands.
const (
	firstMore  = 2
	othersMore = 4
)

type trial struct {
	chance *rand.Rand
	began  time.Time
	once   []string // each beacon, drawn once
	sites  []string
}

// places are three in one valley, two in the next, and three far apart.
var places = []string{"IP62oa", "IP62ob", "IP62pa", "IP73aa", "IP73ab", "IP90cc", "JN18aa", "JO20bb"}

var bandSets = [][]string{{"40m", "20m"}, {"40m", "30m"}, {"30m", "20m", "17m"}, {"40m"}, {"20m"}, {"80m", "40m"}}

func (t *trial) text(version int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "network: {name: Tern Valley, near_km: 30, max_signals_per_band: 6}\nsites:\n")
	if t.sites == nil {
		t.draw()
	}
	b.WriteString(strings.Join(t.sites, ""))
	b.WriteString("beacons:\n")
	for i, beacon := range t.once {
		share := "0.15"
		switch {
		case version == 1 && i == len(t.once)-1:
			continue // gone
		case version == firstMore && i%2 == 0, version == othersMore && i%2 == 1:
			share = "0.3"
		}
		b.WriteString(strings.ReplaceAll(beacon, "SHARE", share))
	}
	b.WriteString("pauses:\n  - {scope: {site: site-1, band: 40m}, rrule: FREQ=HOURLY, start: 2026-01-05T00:50:00, duration: 10m, reason: net}\n")
	if version == 3 {
		for hour := 3; hour < 200; hour += 5 {
			from := t.began.Add(time.Duration(hour) * time.Hour).UTC().Truncate(time.Minute)
			fmt.Fprintf(&b, "  - {scope: {site: site-0}, from: %s, to: %s, reason: mast work}\n", from.Format(time.RFC3339), from.Add(2*time.Hour).Format(time.RFC3339))
		}
	}
	return b.String()
}

func (t *trial) draw() {
	for i, place := range places {
		t.sites = append(t.sites, fmt.Sprintf("  - {name: site-%d, locator: %s, time_zone: Etc/UTC, transmitters_at_once: %d}\n", i, place, 1+i%2))
	}
	for i := range 24 {
		control := "automatic"
		switch i {
		case 2, 9:
			control = "remote"
		case 5:
			control = "local"
		}
		announce, shared := 4, ""
		if i%4 == 1 {
			announce = 6
		}
		if site := i % 8; site == 1 || site == 3 {
			shared = " shared: [mast],"
		}
		set := bandSets[t.chance.IntN(len(bandSets))]
		bands := make([]string, len(set))
		for j, band := range set {
			sun := ""
			if len(set) > 1 && j == 0 && t.chance.IntN(4) == 0 {
				sun = ", sun: night"
			}
			bands[j] = fmt.Sprintf("{name: %s%s}", band, sun)
		}
		t.once = append(t.once, fmt.Sprintf(
			"  - {name: b-%02d, callsign: Q%dT%c%c, site: site-%d, control: %s, announce: %d, power_dbm: 23, share: SHARE, uncertainty_ppm: 0.05,%s bands: [%s]}\n",
			i, i%10, 'A'+rune(i), 'A'+rune(i/2), i%8, control, announce, shared, strings.Join(bands, ", ")))
	}
}
