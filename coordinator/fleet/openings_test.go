package fleet

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

const paused = minimal + `
pauses:
  - {scope: {}, from: 2026-03-07T00:00:01Z, to: 2026-03-07T00:04:00Z}
  - {scope: {beacon: one, band: 20m}, from: 2026-03-07T01:00:00Z, to: 2026-03-07T02:00:00Z}
  - {scope: {site: b}, rrule: "FREQ=DAILY", start: 2026-03-01T02:30:00, duration: 1h}
  - {scope: {band: 40m}, rrule: "FREQ=WEEKLY;BYDAY=SU", start: 2026-03-01T12:00:00, duration: 2h}
`

func at(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

// TestOpenings walks slot by slot over the two days in which New York's clock
// jumps and asks each pause, sun and licence directly.
func TestOpenings(t *testing.T) {
	text := strings.Replace(paused, "bands: [40m, 20m]", "bands: [40m, {name: 20m, sun: day}]", 1)
	text = strings.Replace(text, "licence: {max_power_dbm: 30}, bands: [{name: 40m}]", "licence: {max_power_dbm: 30, valid_from: 2026-03-08, valid_to: 2026-03-08}, bands: [{name: 40m, sun: night}]", 1)
	f := mustRead(t, text)
	length := f.Network.Slot
	first, end := length.Starting(at("2026-03-07T00:00:00Z"), at("2026-03-09T12:00:00Z"))
	o := f.Openings(first, end)
	for i, b := range f.Beacons {
		var slots int64
		for n := first - 2; n < end+2; n++ {
			somewhere := false
			for j, use := range b.Bands {
				want := n >= first && n < end && directlyOpen(f, b, use, length.Start(n), length.End(n))
				somewhere = somewhere || want
				if got := o.Open(i, j, n); got != want {
					t.Fatalf("beacon %s on %s at %v: open %v, want %v", b.Name, use.Band.Name, length.Start(n), got, want)
				}
			}
			if somewhere {
				slots++
			}
			if o.OpenAny(i, n) != somewhere {
				t.Fatalf("beacon %s at %v: open %v, want %v", b.Name, length.Start(n), !somewhere, somewhere)
			}
		}
		if o.OpenSlots(i) != slots {
			t.Errorf("beacon %s: %d open slots, want %d", b.Name, o.OpenSlots(i), slots)
		}
		for _, from := range []slot.Number{first, first + 1, first + 64, first + 1000, end} {
			for j := range b.Bands {
				bits := o.OpenBits(i, j, from)
				for n := from; n < end; n++ {
					if k := n - from; bits[k/64]>>(k%64)&1 == 1 != o.Open(i, j, n) {
						t.Fatalf("beacon %s, band %d: bit %d from %d on is not what Open says", b.Name, j, k, from-first)
					}
				}
			}
		}
	}
}

func directlyOpen(f *Fleet, b *Beacon, use BandUse, start, end time.Time) bool {
	for _, p := range f.Pauses {
		for _, in := range p.Intervals(b.Site.Zone, start, end) {
			if p.Scope.Covers(b, use.Band.Name) && in.From.Before(end) && start.Before(in.To) {
				return false
			}
		}
	}
	middle := start.Add(end.Sub(start) / 2)
	return use.Sun.Allows(locator.SunElevation(b.Site.Locator.Centre(), middle)) && b.Licensed(start, end)
}

// TestClosuresThroughTheJump: on 2026-03-08 the clock of New York jumps over
// 02:30, which is therefore read by the offset before: 07:30 UTC.
func TestClosuresThroughTheJump(t *testing.T) {
	f := mustRead(t, paused)
	o := f.Openings(f.Network.Slot.Starting(at("2026-03-07T00:00:00Z"), at("2026-03-10T00:00:00Z")))
	for _, tt := range []struct {
		from, to string
	}{
		{"2026-03-07T07:30:00Z", "2026-03-07T08:30:00Z"},
		{"2026-03-08T07:30:00Z", "2026-03-08T08:30:00Z"},
		{"2026-03-09T06:30:00Z", "2026-03-09T07:30:00Z"},
	} {
		a, z := f.Network.Slot.Starting(at(tt.from), at(tt.to))
		for n, want := range map[slot.Number]bool{a - 1: true, a: false, z - 1: false, z: true} {
			if o.Open(1, 0, n) != want {
				t.Errorf("pause from %s, slot at %v: open is %v", tt.from, f.Network.Slot.Start(n), !want)
			}
		}
	}
}

func TestPausedAndUnusableAreClosed(t *testing.T) {
	f := mustRead(t, strings.Replace(strings.Replace(minimal, "name: two,", "name: two, paused: true,", 1), "bands: [40m, 20m]", "filters: [{name: x, passes: [20m], fitted: relay}], bands: [40m, 20m]", 1))
	o := f.Openings(1000, 1100)
	if o.OpenSlots(1) != 0 || o.OpenBandSlots(1, 0) != 0 {
		t.Error("a paused beacon has open slots")
	}
	if o.OpenBandSlots(0, 0) != 0 || o.OpenBandSlots(0, 1) != 100 || o.OpenSlots(0) != 100 {
		t.Error("a band without a filter is open, or the other one is not")
	}
	if f.Openings(1000, 1000).OpenSlots(0) != 0 || f.Openings(1000, 900).OpenSlots(0) != 0 {
		t.Error("no slots, but some are open")
	}
}

// TestSunlight: stepping over slots that must be alike gives what asking for
// every slot gives, at the poles too.
func TestSunlight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		place := locator.Position{
			Latitude:  rapid.Float64Range(-90, 90).Draw(t, "latitude"),
			Longitude: rapid.Float64Range(-180, 180).Draw(t, "longitude"),
		}
		length := slot.Length(rapid.SampledFrom([]int64{10, 120, 3600}).Draw(t, "length"))
		first := slot.Number(rapid.Int64Range(1_700_000_000, 1_900_000_000).Draw(t, "from") / int64(length))
		const slots = 1000
		light := sunlightAt(place, sunsteps(length, first, first+slots), length)
		for i := range slots {
			elevation := locator.SunElevation(place, length.Middle(first+slot.Number(i)))
			if light.day.has(i) != Day.Allows(elevation) || light.night.has(i) != Night.Allows(elevation) {
				t.Fatalf("slot %d: sun at %.3f°, day %v, night %v", i, elevation, light.day.has(i), light.night.has(i))
			}
		}
	})
}

func TestSunRuleAtTheHorizon(t *testing.T) {
	for elevation, want := range map[float64][2]bool{-0.06: {false, true}, -0.05: {true, true}, 0: {true, true}, 0.05: {true, true}, 0.06: {true, false}} {
		if Day.Allows(elevation) != want[0] || Night.Allows(elevation) != want[1] || !AnyTime.Allows(elevation) {
			t.Errorf("%v°: day %v, night %v", elevation, Day.Allows(elevation), Night.Allows(elevation))
		}
	}
}

func TestBitset(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const n = 200
		set, plain := newBitset(n), [n]bool{}
		for range rapid.IntRange(0, 8).Draw(t, "steps") {
			from := rapid.IntRange(0, n).Draw(t, "from")
			to := rapid.IntRange(0, n).Draw(t, "to")
			on := rapid.Bool().Draw(t, "on")
			if on {
				set.setRange(from, to)
			} else {
				set.clearRange(from, to)
			}
			for i := from; i < to; i++ {
				plain[i] = on
			}
		}
		from, to := rapid.IntRange(0, n).Draw(t, "count from"), rapid.IntRange(0, n).Draw(t, "count to")
		count := 0
		for i := range n {
			if set.has(i) != plain[i] {
				t.Fatalf("bit %d is %v", i, set.has(i))
			}
			if plain[i] && i >= from && i < to {
				count++
			}
		}
		if set.count(from, to) != count {
			t.Errorf("counted %d, want %d", set.count(from, to), count)
		}
	})
}
