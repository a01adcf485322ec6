package sim

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"lamplighter/coordinator/fleet"
)

// Planned is a fault that comes when it is told to.
type Planned struct {
	What         string
	Site, Beacon string // where; both empty: everywhere
	From, For    time.Duration
}

// Bounds of a file of faults.
const (
	MaxFile    = 16 << 10
	mostFaults = 200
	longest    = 35 * 24 * time.Hour
)

// whats are the faults that a file may name: those of beacons, and those of what
// all beacons hang on.
var whats = map[string]struct {
	help    string
	beacon  func(w *world, d *device, long time.Duration) (end func())
	network func(w *world, long time.Duration) (end func())
}{
	"power": {help: "no power", beacon: func(_ *world, d *device, _ time.Duration) func() {
		d.dark++
		d.powerOff()
		return func() {
			if d.dark--; d.dark == 0 {
				d.powerOn()
			}
		}
	}},
	"link": {help: "no link to the broker", beacon: func(_ *world, d *device, _ time.Duration) func() {
		d.link.cut++
		d.link.stall()
		return d.link.mend
	}},
	"fix": {help: "the receiver has no fix", beacon: func(_ *world, d *device, _ time.Duration) func() {
		d.loseFix()
		d.touch()
		return func() { d.findFix(); d.touch() }
	}},
	"disk": {help: "the agent's disk is full", beacon: func(_ *world, d *device, _ time.Duration) func() {
		d.diskFull = true
		return func() { d.diskFull = false }
	}},
	"transmitter": {help: "the transmitter does not answer", beacon: func(_ *world, d *device, _ time.Duration) func() {
		d.transmitter.deaf = true
		return func() { d.transmitter.deaf = false }
	}},
	"agent": {help: "the agent stands still", beacon: func(_ *world, d *device, long time.Duration) func() { d.hang(long); return nil }},
	"hush": {help: "somebody hushes it", network: nil, beacon: func(w *world, d *device, _ time.Duration) func() {
		return w.hush(fleet.Scope{Beacon: d.name})
	}},
	"coordinator": {help: "no coordinator runs", network: func(w *world, _ time.Duration) func() {
		for _, c := range w.coordinators {
			c.kill()
		}
		return func() {
			for _, c := range w.coordinators {
				c.start()
			}
		}
	}},
	"database": {help: "the database is away", network: func(w *world, _ time.Duration) func() {
		w.database.away = true
		return func() { w.database.away = false }
	}},
	"broker": {help: "the broker is away", network: func(w *world, long time.Duration) func() { w.broker.restart(long, false); return nil }},
}

// schedule has a fault come when it is to.
func (w *world) schedule(p Planned) {
	w.at(p.From, func() {
		what := whats[p.What]
		if what.network != nil {
			w.end(p.For, what.network(w, p.For))
			return
		}
		for _, d := range w.devices {
			b := w.fleets[0].fleet.Beacon(d.name)
			if (p.Beacon == "" || p.Beacon == d.name) && (p.Site == "" || p.Site == b.Site.Name) {
				w.end(p.For, what.beacon(w, d, p.For))
			}
		}
	})
}

func (w *world) end(wait time.Duration, end func()) {
	if end != nil {
		w.after(wait, end)
	}
}

// faultFile is a file of faults as it is written.
type faultFile struct {
	Faults []struct {
		What   string `yaml:"what"`
		Site   string `yaml:"site"`
		Beacon string `yaml:"beacon"`
		From   span   `yaml:"from"`
		For    span   `yaml:"for"`
	} `yaml:"faults"`
}

// span is a length of time as a person writes it: 90s, 5m, 6h, 2d, or 1h30m.
type span time.Duration

// UnmarshalText reads it.
func (s *span) UnmarshalText(text []byte) error {
	if days, ok := strings.CutSuffix(string(text), "d"); ok {
		if n, err := strconv.ParseUint(days, 10, 8); err == nil {
			*s = span(n) * span(24*time.Hour)
			return nil
		}
	}
	d, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("%.40q is no length of time; write it like 90s, 5m, 6h or 2d", text)
	}
	*s = span(d)
	return nil
}

// ReadFaults reads a file of faults for a fleet.
func ReadFaults(text []byte, f *fleet.Fleet) ([]Planned, error) {
	if len(text) > MaxFile {
		return nil, fmt.Errorf("%d bytes, and a file of faults has at most %d", len(text), MaxFile)
	}
	var file faultFile
	if err := yaml.UnmarshalWithOptions(text, &file, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("this is no file of faults: %w", err)
	}
	if n := len(file.Faults); n == 0 || n > mostFaults {
		return nil, fmt.Errorf("%d faults, and a file has 1 to %d of them, under the key \"faults\"", n, mostFaults)
	}
	var list []Planned
	for i, x := range file.Faults {
		p := Planned{What: x.What, Site: x.Site, Beacon: x.Beacon, From: time.Duration(x.From), For: time.Duration(x.For)}
		if err := p.check(f); err != nil {
			return nil, fmt.Errorf("fault %d: %w", i+1, err)
		}
		list = append(list, p)
	}
	return list, nil
}

func (p Planned) check(f *fleet.Fleet) error {
	what, known := whats[p.What]
	switch {
	case !known:
		return fmt.Errorf("what: %.40q is not known; there are %s", p.What, strings.Join(Whats(), ", "))
	case what.network != nil && (p.Site != "" || p.Beacon != ""):
		return fmt.Errorf("what: %s is everybody's; leave site and beacon out", p.What)
	case p.Site != "" && f.Site(p.Site) == nil:
		return fmt.Errorf("site: the fleet has no site %.64q", p.Site)
	case p.Beacon != "" && f.Beacon(p.Beacon) == nil:
		return fmt.Errorf("beacon: the fleet has no beacon %.64q", p.Beacon)
	case p.From < 0 || p.From > longest:
		return fmt.Errorf("from: %v after the start, and it is between 0 and %v", p.From, longest)
	case p.For <= 0 || p.For > longest:
		return fmt.Errorf("for: %v, and it is more than 0 and at most %v", p.For, longest)
	}
	return nil
}

// Whats lists what a file of faults may name, in alphabetical order.
func Whats() []string { return slices.Sorted(maps.Keys(whats)) }
