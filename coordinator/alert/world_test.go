package alert_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fleet"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// world is a fleet whose beacons report every ten seconds, looked at every five,
// in virtual time.
type world struct {
	t        testing.TB
	now      time.Time
	fleet    *fleet.Fleet
	observed alert.Observation
	memory   *alert.Memory
	given    alert.Given
	number   int64
	told     []alert.Message
	toldAt   []time.Time
	silent   map[string]bool // beacons without power
	health   map[string]*wirev1.Health
}

var begin = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// text is a fleet file of some sites with some beacons each.
func text(sites, beacons int, more string) string {
	s, b := "network: {name: trial}\nsites:\n", "beacons:\n"
	for i := range sites {
		s += fmt.Sprintf("  - {name: site-%d, locator: JO62qm, time_zone: Etc/UTC}\n", i)
		for j := range beacons {
			n := i*beacons + j
			b += fmt.Sprintf("  - {name: b-%d-%d, site: site-%d, callsign: Q%d%c%c%c, control: automatic, power_dbm: 23, share: 0.1, uncertainty_ppm: 0.05, bands: [10m]}\n",
				i, j, i, n%10, 'A'+n/10%26, 'A'+n/260%26, 'A'+n/6760%26)
		}
	}
	return s + b + more
}

const ada = `
alerts: {recipients: [{name: ada, mail: ada@club.example}]}
`

func newWorld(t testing.TB, file string) *world {
	t.Helper()
	f, err := fleet.Read("f.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	long := begin.Add(-time.Hour)
	w := &world{
		t: t, now: begin, fleet: f, memory: alert.NewMemory(nil), silent: map[string]bool{}, health: map[string]*wirev1.Health{},
		observed: alert.Observation{Fleet: f, Beacons: map[string]alert.Beacon{}, BrokerSince: long, LeadingSince: long},
	}
	for _, b := range f.Beacons {
		w.health[b.Name] = &wirev1.Health{
			Lock: wirev1.Lock_LOCK_LOCKED, ClockErrorBoundNs: proto.Int64(1e6), FrequencyUncertaintyPpb: proto.Float64(1),
		}
	}
	w.report()
	return w
}

func (w *world) report() {
	for name, h := range w.health {
		if !w.silent[name] {
			b := w.observed.Beacons[name]
			b.LastSeen, b.Health, b.HealthAt = w.now, h, w.now
			w.observed.Beacons[name] = b
		}
	}
}

// run lets time pass, and calls each at every step.
func (w *world) run(d time.Duration, each ...func()) {
	for end := w.now.Add(d); w.now.Before(end); {
		w.now = w.now.Add(5 * time.Second)
		for _, do := range each {
			do()
		}
		if w.now.Unix()%10 == 0 {
			w.report()
		}
		w.look()
	}
}

func (w *world) look() {
	for _, a := range w.memory.Step(alert.Look(&w.observed, w.now), w.given, w.now) {
		if a.Number == 0 {
			w.number++
			a.Number = w.number
		}
	}
	for _, m := range w.memory.Tell(w.fleet, w.now) {
		w.told, w.toldAt = append(w.told, m), append(w.toldAt, w.now)
	}
}

// restart takes everything up from what was stored.
func (w *world) restart() {
	w.t.Helper()
	var stored []alert.Alert
	for _, a := range w.memory.Alerts() {
		text, err := json.Marshal(a)
		if err != nil {
			w.t.Fatal(err)
		}
		var b alert.Alert
		if err := json.Unmarshal(text, &b); err != nil {
			w.t.Fatal(err)
		}
		stored = append(stored, b)
	}
	w.memory = alert.NewMemory(stored)
	w.observed.BrokerSince, w.observed.LeadingSince = w.now, w.now
}

// want compares the events that were told, as "event code place".
func (w *world) want(want ...string) {
	w.t.Helper()
	var got []string
	for _, m := range w.told {
		place := m.Alert.Beacon
		if place == "" {
			place = m.Alert.Site
		}
		got = append(got, fmt.Sprintf("%s %s %s", m.What, m.Alert.Code, place))
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		w.t.Errorf("told %v, want %v", got, want)
		for i, m := range w.told {
			w.t.Logf("%s %s", w.toldAt[i].Sub(begin), m.Subject)
		}
	}
}
