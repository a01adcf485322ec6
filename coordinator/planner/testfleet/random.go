package testfleet

import (
	"fmt"
	"math/rand/v2"
)

// Random is a small fleet that may use every rule there is.
func Random(seed uint64) *File {
	r := random{rand.New(rand.NewPCG(seed, 77)), &File{}}
	r.Network = network(fmt.Sprintf("Trial %d", seed), Object{
		"near_km": r.pick(0.0, 30.0, 200.0), "max_signals_per_band": 1 + r.IntN(8),
		"guard_hz": r.pick(0.0, 2.0, 2.5, 10.0),
	})
	if r.maybe(5) {
		r.Network["bands"] = []Object{{"name": "40m", "dial_hz": 7038600, "window_hz": []int{1400, 1400 + 10 + r.IntN(60)}}}
	}
	sites := 1 + r.IntN(4)
	for i := range sites {
		r.site(fmt.Sprintf("site-%d", i), r.place(), r.rules())
	}
	for i := range 1 + r.IntN(10) {
		r.beacon(fmt.Sprintf("beacon-%d", i), fmt.Sprintf("site-%d", r.IntN(sites)), r.share(), r.limits(), r.bands()...)
	}
	for range r.IntN(3) {
		r.pause(sites)
	}
	return r.File
}

type random struct {
	*rand.Rand
	*File
}

func (r random) maybe(in int) bool { return r.IntN(in) == 0 }

func (r random) pick(of ...float64) float64 { return of[r.IntN(len(of))] }

func (r random) share() float64 {
	return r.pick(0.01, 0.05, 0.07, 0.1, 0.125, 0.2, 0.25, 0.3333, 0.5, 0.9, 1)
}

// place keeps sites within a few hundred kilometres.
func (r random) place() string { return locator(r.Rand, 8, 9, 5, 6) }

func (r random) rules() Object {
	s := Object{"transmitters_at_once": 1 + r.IntN(3)}
	if r.maybe(4) {
		s["quiet_share"] = r.pick(0.1, 0.5, 0.9)
	}
	if r.maybe(4) {
		s["listen"] = []Object{{"band": "40m", "share": r.pick(0.5, 0.9)}}
	}
	if r.maybe(4) {
		s["not_together"] = [][]string{{"40m", "20m"}}
	}
	return s
}

func (r random) limits() Object {
	b := Object{"uncertainty_ppm": r.pick(0, 0.05, 0.5, 3)}
	if r.maybe(4) {
		b["rest"] = 1 + r.IntN(5)
	}
	if r.maybe(4) {
		b["shared"] = []string{"mast"}
	}
	if r.maybe(4) {
		b["max_in_30min"] = 1 + r.IntN(6)
	}
	if r.maybe(4) {
		b["priority"] = r.pick(0.5, 2, 3)
	}
	if r.maybe(4) {
		b["announce"] = 6
	}
	if r.maybe(8) {
		b["callsign"] = fmt.Sprintf("QA7X%c/P", 'A'+r.IntN(26))
	}
	if r.maybe(6) {
		b["licence"] = Object{"max_power_dbm": 30, "valid_from": "2026-01-01", "valid_to": "2026-12-02", "segments": []Object{
			{"from_hz": 7040000, "to_hz": 7040050 + r.IntN(100), "limit_dbm": 30},
			{"from_hz": 7040160, "to_hz": 7047000, "limit_dbm": 30},
			{"from_hz": 10100000, "to_hz": 30000000, "limit_dbm": 30},
		}}
	}
	if r.maybe(6) {
		b["filters"] = []Object{
			{"name": "low", "passes": []string{"40m", "30m"}, "fitted": "relay"},
			{"name": "high", "passes": []string{"20m", "10m"}, "fitted": "plug"},
		}
		if r.maybe(2) {
			b["plugged"] = "high"
		}
	}
	return b
}

func (r random) bands() []Object {
	names := []string{"80m", "40m", "30m", "20m", "10m", "2m"}
	var list []Object
	for _, i := range r.Perm(len(names))[:1+r.IntN(4)] {
		b := Object{"name": names[i]}
		if r.maybe(3) {
			b["weight"] = r.pick(0.5, 2, 3)
		}
		if r.maybe(4) {
			b["sun"] = []string{"day", "night"}[r.IntN(2)]
		}
		list = append(list, b)
	}
	return list
}

func (r random) pause(sites int) {
	scope := Object{}
	switch r.IntN(4) {
	case 0:
		scope["site"] = fmt.Sprintf("site-%d", r.IntN(sites))
	case 1:
		scope["band"] = "40m"
	case 2:
		scope["beacon"] = "beacon-0"
	}
	hour := r.IntN(20)
	r.Pauses = append(r.Pauses, Object{
		"scope": scope, "from": fmt.Sprintf("2026-12-01T%02d:01:00Z", hour),
		"to": fmt.Sprintf("2026-12-01T%02d:30:00Z", hour+1+r.IntN(3)), "reason": "mast work",
	})
}

// Crowded is a small fleet that wants more airtime than there is, limited by
// sites, equipment, near sites and the number of signals only, which is what a
// linear program can state.
func Crowded(seed uint64) *File {
	r := random{rand.New(rand.NewPCG(seed, 78)), &File{}}
	r.Network = network(fmt.Sprintf("Crowd %d", seed), Object{"near_km": r.pick(0.0, 100.0, 300.0), "max_signals_per_band": 1 + r.IntN(3)})
	sites := 1 + r.IntN(3)
	for i := range sites {
		r.site(fmt.Sprintf("site-%d", i), r.place(), Object{"transmitters_at_once": 1 + r.IntN(2)})
	}
	for i := range 4 + r.IntN(6) {
		var limits Object
		if r.maybe(3) {
			limits = Object{"shared": []string{"mast"}}
		}
		r.beacon(fmt.Sprintf("beacon-%d", i), fmt.Sprintf("site-%d", r.IntN(sites)), r.pick(0.3, 0.5, 0.7, 0.9, 1), limits, r.bands()...)
	}
	if r.maybe(2) {
		r.pause(sites)
	}
	return r.File
}

// Preferring is a crowded fleet with priorities.
func Preferring(seed uint64) *File {
	f := Crowded(seed)
	r := random{rand.New(rand.NewPCG(seed, 79)), f}
	for _, b := range f.Beacons {
		if r.maybe(2) {
			b["priority"] = r.pick(0.5, 2, 3)
		}
	}
	return f
}

// Quiet is a crowded fleet with quiet shares and priorities.
func Quiet(seed uint64) *File {
	f := Preferring(seed)
	r := random{rand.New(rand.NewPCG(seed, 80)), f}
	for _, s := range f.Sites {
		if r.maybe(2) {
			s["quiet_share"] = r.pick(0.1, 0.3, 0.5)
		}
	}
	return f
}
