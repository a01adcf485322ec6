package plan

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lamplighter/coordinator/fleet"
)

// The day of the tests, a Tuesday.
var (
	midnight = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	morrow   = midnight.AddDate(0, 0, 1)
)

func mustFleet(t testing.TB, text string) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Read("test.yaml", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return f
}

// planOf makes a plan of the test day from lines such as
// "00:04 one 40m 7040100" or "00:04:10 one 40m 7040100 extended".
func planOf(t testing.TB, f *fleet.Fleet, lines string) *Plan {
	t.Helper()
	p := &Plan{Network: f.Network.Name, From: midnight, To: morrow, SlotSeconds: int64(f.Network.Slot)}
	for line := range strings.Lines(lines) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		day := midnight
		if rest, yesterday := strings.CutPrefix(words[0], "-"); yesterday {
			day, words[0] = midnight.AddDate(0, 0, -1), rest
		}
		layout := "15:04:05"[:len(words[0])]
		clock, err := time.Parse(layout, words[0])
		if err != nil {
			t.Fatal(err)
		}
		hz, err := strconv.ParseFloat(words[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		tx := Transmission{Start: day.Add(clock.Sub(clock.Truncate(24 * time.Hour))), Beacon: words[1], Band: words[2], FrequencyHz: hz}
		if len(words) > 4 {
			tx.Message = Message(words[4])
		}
		p.Transmissions = append(p.Transmissions, tx)
	}
	return p
}

// historyOf makes a history of the day before; its times have a '-' in front.
func historyOf(t testing.TB, f *fleet.Fleet, lines string) *Plan {
	if lines == "" {
		return nil
	}
	p := planOf(t, f, lines)
	p.From, p.To = midnight.AddDate(0, 0, -1), midnight
	return p
}

// listShortfalls completes a plan with the true list, so that a test can look at
// other rules.
func listShortfalls(f *fleet.Fleet, p, history *Plan) {
	p.Shortfalls = nil
	granted := map[string]int{}
	for _, t := range p.Transmissions {
		granted[t.Beacon]++
	}
	for i, want := range Wants(f, p, history) {
		b := f.Beacons[i]
		if got := granted[b.Name]; int64(got) < want.Demand {
			p.Shortfalls = append(p.Shortfalls, Shortfall{Beacon: b.Name, Wanted: int(want.Demand), Granted: got, Reason: "a test"})
		}
		for _, use := range b.Bands {
			if _, why := f.FitsBand(b, use); why == fleet.NoRoom {
				p.Shortfalls = append(p.Shortfalls, Shortfall{Beacon: b.Name, Band: use.Band.Name, Reason: "no room"})
			}
		}
	}
}

func rules(violations []Violation) string {
	var names []string
	for _, v := range violations {
		names = append(names, string(v.Rule))
	}
	return strings.Join(names, " ")
}

// far are two sites that are not near each other; their beacons have no limits
// of their own. Lines are added to one and two and to the first site.
func far(site, one, two string) string {
	const beacon = "  - {name: %s, callsign: Q1ABC, site: %s, control: local, power_dbm: 23, uncertainty_ppm: 0, licence: {max_power_dbm: 30%s}"
	return fmt.Sprintf(`network: {name: Test}
sites:
  - {name: here, locator: JO62qm%s}
  - {name: there, locator: FN42ax}
beacons:
`+beacon+"%s}\n"+beacon+"%s}\n", site, "one", "here", "", one, "two", "there", "", two)
}

// both puts the second beacon at the first site.
func both(text string) string { return strings.Replace(text, "site: there", "site: here", 1) }

// mustFleetRapid is a fleet of one free beacon with more, or with share 1.
func mustFleetRapid(t *rapid.T, more string, whole bool) *fleet.Fleet {
	if whole {
		more = ", share: 1, bands: [40m]"
	}
	f, err := fleet.Read("test.yaml", []byte(far("", more, free)))
	if err != nil {
		t.Fatal(err)
	}
	return f
}
