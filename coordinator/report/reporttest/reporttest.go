// Package reporttest makes up a week of a network with known faults, and keeps
// beside it what a report of that week has to say. It counts by itself, with
// maps and sorted lists, and uses nothing of what it tests.
package reporttest

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
)

// Beacons is how many beacons the network has.
const Beacons = 24

// Sample is a health sample.
type Sample struct {
	At           time.Time
	Lock         string // locked, holdover, none
	ClockErrorNs int64
	FrequencyPpb float64
	OnAir        bool
}

// Slot is an ordered slot and what its agent says of it.
type Slot struct {
	Start  time.Time
	Band   string
	Ending string // sent, skipped, aborted; unreported: the agent says nothing
	Reason string
	Keyed  time.Duration
}

// Beacon is what happened at one beacon.
type Beacon struct {
	Name    string
	Samples []Sample
	Slots   []Slot
	Truth   *Truth
}

// Week is what happened in a period.
type Week struct {
	Fleet    *fleet.Fleet
	YAML     string
	From, To time.Time
	Beacons  []Beacon
	All      *Truth
	Sites    map[string]*Truth
}

// Zone is the time zone of all sites.
const Zone = "Europe/Berlin"

// FleetYAML is the fleet file of the invented network: six sites, 24 beacons.
func FleetYAML() string {
	var out strings.Builder
	out.WriteString("network: {name: Tern Valley Schools}\nsites:\n")
	sites := []struct{ name, locator string }{
		{"hilltop", "JO62qm"}, {"mill", "JO31ab"}, {"harbour", "JO44xx"}, {"observatory", "JN58td"}, {"island", "JO54ar"}, {"forest", "JO50fg"},
	}
	for _, s := range sites {
		fmt.Fprintf(&out, "  - {name: %s, locator: %s, time_zone: %s, transmitters_at_once: 4}\n", s.name, s.locator, Zone)
	}
	out.WriteString("beacons:\n")
	for i := range Beacons {
		s := sites[i/4]
		fmt.Fprintf(&out, "  - {name: %s-%c, callsign: Q%d%cTN, site: %s, control: remote, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [{name: 80m}, {name: 40m, weight: 2}, {name: 20m}]}\n",
			s.name, 'a'+rune(i%4), i/4, 'A'+rune(i%4), s.name)
	}
	return out.String()
}

// fault is something that is wrong at a beacon in [from, to).
type fault struct {
	kind     string // off, dead (off, and never told), holdover, none, hush
	from, to time.Time
}

// Generate makes up a period. every is how often each beacon takes a sample, at
// most a minute.
func Generate(seed uint64, from, to time.Time, every time.Duration) (*Week, error) {
	yaml := FleetYAML()
	f, err := fleet.Read("tern-valley.yaml", []byte(yaml))
	if err != nil {
		return nil, err
	}
	w := &Week{Fleet: f, YAML: yaml, From: from, To: to, All: newTruth(from, to), Sites: map[string]*Truth{}}
	for i, b := range f.Beacons {
		random := rand.New(rand.NewPCG(seed, uint64(i)))
		one := Beacon{Name: b.Name, Truth: newTruth(from, to)}
		faults := w.faults(i, random)
		one.sample(random, from, to, every, faults)
		one.transmit(random, f, from, to, i, faults)
		one.Truth.fault(b.Name, faults, from, to)
		if w.Sites[b.Site.Name] == nil {
			w.Sites[b.Site.Name] = newTruth(from, to)
		}
		w.Sites[b.Site.Name].merge(one.Truth)
		w.All.merge(one.Truth)
		w.Beacons = append(w.Beacons, one)
	}
	return w, nil
}

// faults gives the faults of a beacon, which do not overlap and are far apart.
func (w *Week) faults(i int, random *rand.Rand) []fault {
	day := func(n int) time.Time { return w.From.Add(time.Duration(n) * 24 * time.Hour) }
	at := func(n int, longest int) (time.Time, time.Time) {
		begin := day(n).Add(time.Duration(60+random.IntN(300)) * time.Minute)
		return begin, begin.Add(time.Duration(1+random.IntN(longest)) * time.Minute)
	}
	var faults []fault
	add := func(kind string, n, longest int) {
		begin, end := at(n, longest)
		faults = append(faults, fault{kind, begin, end})
	}
	switch i % 6 {
	case 1:
		add("off", 0, 600)
		add("off", 3, 7)
	case 2:
		add("holdover", 1, 900)
		add("holdover", 4, 3)
	case 3:
		add("none", 2, 500)
		add("hush", 5, 400)
	case 4:
		add("hush", 0, 300)
		add("off", 2, 900)
		add("holdover", 5, 800)
	case 5:
		faults = append(faults, fault{"dead", day(5).Add(time.Duration(random.IntN(600)) * time.Minute), w.To})
	}
	return faults
}

func during(faults []fault, at time.Time) fault {
	for _, f := range faults {
		if !at.Before(f.from) && at.Before(f.to) {
			return f
		}
	}
	return fault{}
}

// sample takes the health samples of a beacon.
func (b *Beacon) sample(random *rand.Rand, from, to time.Time, every time.Duration, faults []fault) {
	for at := from.Add(time.Duration(random.Int64N(int64(time.Second)))).Truncate(time.Microsecond); at.Before(to); {
		f := during(faults, at)
		s := Sample{At: at, Lock: "locked", ClockErrorNs: 200_000 + random.Int64N(1_500_000), FrequencyPpb: 1 + 5*random.Float64()}
		switch f.kind {
		case "holdover", "none":
			s.Lock = f.kind
			// A bound that grows by 50 parts per million, as an oscillator's does.
			s.ClockErrorNs += at.Sub(f.from).Nanoseconds() / 20_000
			s.FrequencyPpb += at.Sub(f.from).Hours()
		}
		if random.IntN(5000) == 0 {
			s.ClockErrorNs = 500_000_001 + random.Int64N(1e9)
		}
		if f.kind != "off" && f.kind != "dead" {
			b.Samples = append(b.Samples, s)
			b.Truth.sample(s)
		}
		at = at.Add(every*19/20 + time.Duration(random.Int64N(int64(every/20)))).Truncate(time.Microsecond)
	}
}

// transmit orders slots and ends them.
func (b *Beacon) transmit(random *rand.Rand, f *fleet.Fleet, from, to time.Time, offset int, faults []fault) {
	bands := []string{"40m", "80m", "40m", "20m"}
	length := f.Network.Slot
	first, end := length.Starting(from, to)
	for n, turn := first, 0; n < end; n++ {
		if (int(n)+offset)%10 != 0 {
			continue
		}
		s := Slot{Start: length.Start(n), Band: bands[turn%len(bands)], Ending: "sent", Keyed: 110_592 * time.Millisecond}
		turn++
		switch now := during(faults, s.Start); now.kind {
		case "off":
			s.Ending, s.Reason, s.Keyed = "skipped", "off", 0
		case "dead":
			s.Ending, s.Keyed = "unreported", 0
		case "hush":
			s.Ending, s.Reason, s.Keyed = "skipped", "hushed", 0
		case "none":
			s.Ending, s.Reason, s.Keyed = "skipped", "clock_unsure", 0
		default:
			if random.IntN(60) == 0 {
				s.Ending, s.Reason, s.Keyed = "aborted", "keyer_tripped", time.Duration(random.IntN(100_000))*time.Millisecond
			}
		}
		b.Slots = append(b.Slots, s)
		b.Truth.slot(s)
	}
}
