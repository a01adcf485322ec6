package plan

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// Bands and shares that leave a beacon free.
const free = ", share: 1, bands: [40m, 20m, 30m]"

// TestRules shows, for each rule, a plan that keeps it and one change that
// breaks it, and it alone. Frequencies: 40m is 7040000 to 7040200 Hz, 20m
// 14097000 to 14097200 Hz, 30m 10140100 to 10140300 Hz.
func TestRules(t *testing.T) {
	tests := []struct {
		rule    Rule
		name    string
		fleet   string
		holds   string // the plan
		breaks  string // the plan with the change
		history string
	}{
		{OncePerSlot, "a second band at once", far(", transmitters_at_once: 2", free, free), "00:00 one 40m 7040100\n00:02 one 20m 14097100", "00:00 one 40m 7040100\n00:00 one 20m 14097100", ""},
		{OwnBand, "a foreign band", far("", free, free), "00:00 one 40m 7040100", "00:00 one 17m 18106100", ""},
		{UnknownBeacon, "a foreign beacon", far("", free, free), "00:00 one 40m 7040100", "00:00 six 40m 7040100", ""},
		{OffGrid, "between slots", far("", free, free), "00:04 one 40m 7040100", "00:05 one 40m 7040100", ""},
		{OutsidePlan, "before the plan", far("", free, free), "00:00 one 40m 7040100", "-23:58 one 40m 7040100", ""},
		{Unsorted, "out of order", far("", free, free), "00:00 one 40m 7040100\n00:02 two 40m 7040100", "00:02 two 40m 7040100\n00:00 one 40m 7040100", ""},
		{InPause, "a pause of the site", far("", free, free) + "pauses: [{scope: {site: here}, from: 2026-12-01T06:01:00Z, to: 2026-12-01T08:01:00Z}]", "05:58 one 40m 7040100\n08:02 one 40m 7040100\n08:04 two 40m 7040100", "05:58 one 40m 7040100\n08:00 one 40m 7040100", ""},
		{InPause, "a pause begins in the slot", far("", free, free) + "pauses: [{scope: {}, from: 2026-12-01T06:01:00Z, to: 2026-12-01T08:01:00Z}]", "05:58 one 40m 7040100", "06:00 one 40m 7040100", ""},
		{InPause, "a pause of one band", far("", free, free) + "pauses: [{scope: {beacon: one, band: 20m}, from: 2026-12-01T06:00:00Z, to: 2026-12-01T08:00:00Z}]", "07:00 one 40m 7040100", "07:00 one 20m 14097100", ""},
		{InPause, "class hours in Boston", strings.Replace(far("", free, free), "locator: FN42ax", "locator: FN42ax, time_zone: America/New_York", 1) + "pauses: [{scope: {site: there}, rrule: FREQ=WEEKLY;BYDAY=TU, start: 2026-01-06T09:00:00, duration: 1h}]", "13:58 two 40m 7040100\n15:00 two 40m 7040100", "13:58 two 40m 7040100\n14:00 two 40m 7040100", ""},
		// Check values: Berlin, 2026-12-21, sunrise 07:14:52, sunset 14:53:58; on December 1 about half an hour earlier and as early.
		{SunRule, "night on a band for the day", far("", ", share: 1, bands: [{name: 20m, sun: day}]", free), "12:00 one 20m 14097100", "22:00 one 20m 14097100", ""},
		{SunRule, "day on a band for the night", far("", ", share: 1, bands: [{name: 40m, sun: night}]", free), "22:00 one 40m 7040100", "12:00 one 40m 7040100", ""},
		{RestRule, "too short a rest", far("", free+", rest: 2", free), "00:00 one 40m 7040100\n00:06 one 40m 7040100", "00:00 one 40m 7040100\n00:04 one 40m 7040100", ""},
		{RestRule, "no rest after history", far("", free+", rest: 2", free), "00:02 one 40m 7040100", "00:00 one 40m 7040100", "-23:56 one 40m 7040100"},

		{TransmittersAtOnce, "two at once", both(far("", free, free)), "00:00 one 40m 7040100\n00:02 two 20m 14097100", "00:00 one 40m 7040100\n00:00 two 20m 14097100", ""},
		{SharedEquipment, "one mast", both(far(", transmitters_at_once: 2", free+", shared: [mast]", free+", shared: [amp, mast]")), "00:00 one 40m 7040100\n00:02 two 20m 14097100", "00:00 one 40m 7040100\n00:00 two 20m 14097100", ""},

		{NearSites, "one band at one site", both(far(", transmitters_at_once: 2", free, free)), "00:00 one 40m 7040050\n00:00 two 20m 14097100", "00:00 one 40m 7040050\n00:00 two 40m 7040150", ""},
		{NearSites, "near sites", strings.Replace(far("", free, free), "name: Test", "name: Test, near: [[here, there]]", 1), "00:00 one 40m 7040050\n00:00 two 20m 14097100", "00:00 one 40m 7040050\n00:00 two 40m 7040150", ""},

		{MaxSignals, "one signal a band", strings.Replace(far("", free, free), "name: Test", "name: Test, max_signals_per_band: 1", 1), "00:00 one 40m 7040050\n00:00 two 20m 14097100", "00:00 one 40m 7040050\n00:00 two 40m 7040150", ""},
		{Spacing, "8 Hz between perfect signals", far("", free, free), "00:00 one 40m 7040100\n00:00 two 40m 7040108", "00:00 one 40m 7040100\n00:00 two 40m 7040107.9", ""},
		// u of each is 1e-6 · (7038600 + 1500) = 7.0401 Hz on 40m.
		{Spacing, "8 Hz and both uncertainties", strings.ReplaceAll(far("", free, free), "uncertainty_ppm: 0", "uncertainty_ppm: 1"), "00:00 one 40m 7040100\n00:00 two 40m 7040122.0802", "00:00 one 40m 7040100\n00:00 two 40m 7040122.0801", ""},
		{Window, "at the lower edge", far("", free, free), "00:00 one 40m 7040003", "00:00 one 40m 7040002.9", ""},
		{Window, "at the upper edge", far("", free, free), "00:00 one 40m 7040197", "00:00 one 40m 7040197.1", ""},
		{Window, "with uncertainty", strings.ReplaceAll(far("", free, free), "uncertainty_ppm: 0", "uncertainty_ppm: 1"), "00:00 one 40m 7040010.0401", "00:00 one 40m 7040010.04", ""},

		// Half of the time: in 4 slots at most ceil(2) + 1 = 3, in 5 at most 4.
		{Share, "more than wanted", far("", ", share: 0.5, bands: [40m]", free), "00:00 one 40m 7040100\n00:02 one 40m 7040100\n00:04 one 40m 7040100\n00:08 one 40m 7040100", "00:00 one 40m 7040100\n00:02 one 40m 7040100\n00:04 one 40m 7040100\n00:06 one 40m 7040100", ""},
		{Share, "with history", far("", ", share: 0.1, bands: [40m]", free), "00:18 one 40m 7040100", "00:14 one 40m 7040100", "-23:56 one 40m 7040100\n-23:58 one 40m 7040100"},

		{FilterRule, "a filter for another band", far("", free+", filters: [{name: a, passes: [20m], fitted: relay}, {name: b, passes: [40m], fitted: plug}, {name: c, passes: [30m], fitted: plug}], plugged: b", free), "00:00 one 40m 7040100\n00:02 one 20m 14097100", "00:00 one 40m 7040100\n00:02 one 30m 10140200", ""},
		{LicenceRule, "outside the segment", strings.ReplaceAll(far("", free, free), "max_power_dbm: 30", "max_power_dbm: 30, segments: [{from_hz: 7000000, to_hz: 7040100, limit_dbm: 23}]"), "00:00 one 40m 7040097", "00:00 one 40m 7040097.1", ""},
		{LicenceRule, "across two segments", strings.ReplaceAll(far("", free, free), "max_power_dbm: 30", "max_power_dbm: 30, segments: [{from_hz: 7000000, to_hz: 7040100, limit_dbm: 23}, {from_hz: 7040100, to_hz: 7200000, limit_dbm: 23}]"), "00:00 one 40m 7040103", "00:00 one 40m 7040102", ""},
		{LicenceRule, "a segment for less power", strings.ReplaceAll(far("", free, free), "max_power_dbm: 30", "max_power_dbm: 30, segments: [{from_hz: 7000000, to_hz: 7040100, limit_dbm: 23}, {from_hz: 7040100, to_hz: 7200000, limit_dbm: 20}]"), "00:00 one 40m 7040097", "00:00 one 40m 7040150", ""},
		{MaxIn30Min, "an amplifier's limit", far("", free+", max_in_30min: 2", free), "00:00 one 40m 7040100\n00:14 one 40m 7040100\n00:30 one 40m 7040100", "00:00 one 40m 7040100\n00:14 one 40m 7040100\n00:28 one 40m 7040100", ""},
		{MaxIn30Min, "with history", far("", free+", max_in_30min: 2", free), "00:00 one 40m 7040100\n00:26 one 40m 7040100", "00:00 one 40m 7040100\n00:22 one 40m 7040100", "-23:56 one 40m 7040100"},
		{NotTogether, "two bands at one site", both(far(", transmitters_at_once: 2, not_together: [[20m, 40m]]", free, free)), "00:00 one 40m 7040100\n00:00 two 30m 10140200", "00:00 one 40m 7040100\n00:00 two 20m 14097100", ""},

		{LoneExtended, "nothing before it", far("", free+", announce: 6", free), "00:00 one 40m 7040100", "00:00 one 40m 7040100 extended", ""},
		{LoneExtended, "more than 8 min", far("", free+", announce: 6", free), "00:00 one 40m 7040100\n00:08 one 40m 7040100 extended", "00:00 one 40m 7040100\n00:10 one 40m 7040100 extended", ""},
		{LoneExtended, "another band", far("", free+", announce: 6", free), "00:00 one 40m 7040100\n00:02 one 40m 7040100 extended", "00:00 one 40m 7040100\n00:02 one 20m 14097100 extended", ""},
		{LoneExtended, "another band between", far("", free+", announce: 6", free), "00:00 one 40m 7040100\n00:02 one 20m 14097100\n00:04 one 20m 14097100 extended", "00:00 one 40m 7040100\n00:02 one 20m 14097100\n00:04 one 40m 7040100 extended", ""},
		{LoneExtended, "two in a row", far("", free+", announce: 6", free), "00:00 one 40m 7040100\n00:02 one 40m 7040100 extended\n00:04 one 40m 7040100", "00:00 one 40m 7040100\n00:02 one 40m 7040100 extended\n00:04 one 40m 7040100 extended", ""},
		{LoneExtended, "one message is no pair", far("", free, free), "00:00 one 40m 7040100\n00:02 one 40m 7040100", "00:00 one 40m 7040100\n00:02 one 40m 7040100 extended", ""},
		{LoneExtended, "after history", far("", free+", announce: 6", free), "00:00 one 40m 7040100 extended", "00:08 one 40m 7040100 extended", "-23:58 one 40m 7040100"},
		{MissedPair, "two full ones", far("", free+", announce: 6", free), "00:00 one 40m 7040100\n00:02 one 40m 7040100 extended", "00:00 one 40m 7040100\n00:02 one 40m 7040100", ""},
		{MissedPair, "a compound call", strings.Replace(far("", free, free), "callsign: Q1ABC,", "callsign: Q1ABC/P,", 1), "00:00 one 40m 7040100\n00:02 one 40m 7040100\n00:04 one 40m 7040100 extended", "00:00 one 40m 7040100\n00:02 one 40m 7040100", ""},
		{MissedPair, "after history", far("", free+", announce: 6", free), "00:00 one 40m 7040100 extended", "00:00 one 40m 7040100", "-23:58 one 40m 7040100"},
	}
	for _, tt := range tests {
		t.Run(string(tt.rule)+": "+tt.name, func(t *testing.T) {
			f := mustFleet(t, tt.fleet)
			extra := Extra{History: historyOf(t, f, tt.history)}
			good := planOf(t, f, tt.holds)
			listShortfalls(f, good, extra.History)
			if found := Check(f, good, extra); len(found) != 0 {
				t.Errorf("should hold: %v", found)
			}
			bad := planOf(t, f, tt.breaks)
			listShortfalls(f, bad, extra.History)
			found := Check(f, bad, extra)
			if tt.rule == OwnBand || tt.rule == UnknownBeacon || tt.rule == OffGrid || tt.rule == OutsidePlan {
				found = withoutShortfalls(found) // what can't be placed is not granted either
			}
			if rules(found) != string(tt.rule) {
				t.Errorf("should break %s: %v", tt.rule, found)
			}
		})
	}
}

func withoutShortfalls(found []Violation) (rest []Violation) {
	for _, v := range found {
		if v.Rule != ShortfallList {
			rest = append(rest, v)
		}
	}
	return rest
}

// TestPausedBeaconAndDates: such a beacon has no demand, but a plan may have been
// made for another fleet.
func TestPausedBeaconAndDates(t *testing.T) {
	for _, tt := range []struct {
		rule   Rule
		change [2]string
	}{
		{BeaconPaused, [2]string{"name: one,", "name: one, paused: true,"}},
		{LicenceDates, [2]string{"max_power_dbm: 30", "max_power_dbm: 30, valid_to: 2026-11-30"}},
		{LicenceDates, [2]string{"max_power_dbm: 30", "max_power_dbm: 30, valid_from: 2026-12-02"}},
	} {
		f := mustFleet(t, strings.Replace(far("", free, free), tt.change[0], tt.change[1], 1))
		p := planOf(t, f, "00:00 one 40m 7040100")
		listShortfalls(f, p, nil)
		if found := Check(f, p, Extra{}); rules(found) != string(tt.rule) {
			t.Errorf("%s: %v", tt.rule, found)
		}
	}
	f := mustFleet(t, strings.Replace(far("", free, free), "max_power_dbm: 30", "max_power_dbm: 30, valid_from: 2026-12-01, valid_to: 2026-12-01", 1))
	p := planOf(t, f, "00:00 one 40m 7040100\n23:58 one 40m 7040100")
	listShortfalls(f, p, nil)
	if found := Check(f, p, Extra{}); len(found) != 0 {
		t.Errorf("both dates are inclusive: %v", found)
	}
}

// TestQuietAndListen: of the first 10 slots of the day, 3/4 are to be silent,
// which is 7 when rounded down; so 3 may be used, and not 4.
func TestQuietAndListen(t *testing.T) {
	three := "00:00 one 40m 7040100\n00:02 one 40m 7040100\n00:04 one 40m 7040100"
	for _, tt := range []struct {
		rule Rule
		site string
		more string
		want Rule
	}{
		{QuietShare, ", quiet_share: 0.75", "", ""},
		{QuietShare, ", quiet_share: 0.75", "\n00:06 one 20m 14097100", QuietShare},
		{QuietShare, ", quiet_share: 0.75", "\n00:06 two 20m 14097100", ""},
		{ListenShare, ", listen: [{band: 40m, share: 0.75}]", "\n00:06 one 20m 14097100", ""},
		{ListenShare, ", listen: [{band: 40m, share: 0.75}]", "\n00:06 one 40m 7040100", ListenShare},
	} {
		f := mustFleet(t, far(tt.site, free, free))
		p := planOf(t, f, three+tt.more)
		p.To = midnight.Add(20 * time.Minute)
		listShortfalls(f, p, nil)
		if found := Check(f, p, Extra{}); rules(found) != string(tt.want) {
			t.Errorf("%s%s: %v", tt.site, tt.more, found)
		}
	}
}

// TestQuietCountsSlots: two transmissions in one slot use one slot.
func TestQuietCountsSlots(t *testing.T) {
	f := mustFleet(t, both(far(", transmitters_at_once: 2, quiet_share: 0.5", free, free)))
	p := planOf(t, f, "00:00 one 40m 7040100\n00:00 two 20m 14097100\n00:02 one 40m 7040100\n00:02 two 20m 14097100")
	p.To = midnight.Add(8 * time.Minute)
	listShortfalls(f, p, nil)
	if found := Check(f, p, Extra{}); len(found) != 0 {
		t.Errorf("2 of 4 slots are silent: %v", found)
	}
}

// TestQuietCountsTheDaysHistory: a plan that begins at 00:20 is judged together
// with what was sent since midnight.
func TestQuietCountsTheDaysHistory(t *testing.T) {
	f := mustFleet(t, far(", quiet_share: 0.5", free, free))
	p := planOf(t, f, "00:20 one 40m 7040100\n00:22 one 40m 7040100\n00:24 one 40m 7040100\n00:26 one 40m 7040100\n00:28 one 40m 7040100")
	p.From, p.To = midnight.Add(20*time.Minute), midnight.Add(40*time.Minute)
	history := planOf(t, f, "00:00 one 40m 7040100\n00:02 one 40m 7040100\n00:04 one 40m 7040100\n00:06 one 40m 7040100\n00:08 one 40m 7040100")
	history.To = p.From
	for _, h := range []*Plan{nil, history} {
		listShortfalls(f, p, h)
		if found := Check(f, p, Extra{History: h}); len(found) != 0 {
			t.Errorf("half of the slots are silent: %v", found)
		}
	}
	more := planOf(t, f, "00:00 one 40m 7040100\n00:02 one 40m 7040100\n00:04 one 40m 7040100\n00:06 one 40m 7040100\n00:08 one 40m 7040100\n00:10 one 40m 7040100")
	more.To = p.From
	listShortfalls(f, p, more)
	if found := Check(f, p, Extra{History: more}); rules(found) != string(QuietShare) {
		t.Errorf("11 of 20 slots are used: %v", found)
	}
}

// TestTaken: taken slots of other beacons stand in the way; a beacon's own are
// its alternative; and what they do among themselves is nobody's breach.
func TestTaken(t *testing.T) {
	f := mustFleet(t, both(far("", free, free)))
	tests := []struct {
		name, plan, taken string
		want              Rule
	}{
		{"another slot", "00:00 one 40m 7040100", "00:02 two 40m 7040100", ""},
		{"the only transmitter", "00:00 one 40m 7040100", "00:00 two 20m 14097100", TransmittersAtOnce},
		{"its own alternative", "00:00 one 40m 7040100", "00:00 one 20m 14097100", ""},
		{"two taken", "00:02 one 40m 7040100", "00:00 one 40m 7040100\n00:00 two 40m 7040100", ""},
	}
	for _, tt := range tests {
		p := planOf(t, f, tt.plan)
		listShortfalls(f, p, nil)
		if found := Check(f, p, Extra{Taken: planOf(t, f, tt.taken)}); rules(found) != string(tt.want) {
			t.Errorf("%s: %v", tt.name, found)
		}
	}
	wide := mustFleet(t, both(far(", transmitters_at_once: 2, not_together: [[20m, 30m]]", free, free)))
	p := planOf(t, wide, "00:00 one 40m 7040100\n00:00 two 20m 14097100")
	listShortfalls(wide, p, nil)
	taken := planOf(t, wide, "00:00 two 40m 7040150")
	if found := Check(wide, p, Extra{Taken: taken}); rules(found) != string(NearSites) {
		t.Errorf("two may still send on 40m by its lease: %v", found)
	}
	third := mustFleet(t, both(far("", free, free))+"  - {name: three, callsign: Q3ABC, site: there, control: local, power_dbm: 23, uncertainty_ppm: 0, licence: {max_power_dbm: 30}, share: 1, bands: [20m]}\n")
	elsewhere := planOf(t, third, "00:00 three 20m 14097100")
	listShortfalls(third, elsewhere, nil)
	if found := Check(third, elsewhere, Extra{Taken: planOf(t, third, "00:00 one 40m 7040100\n00:00 two 40m 7040100")}); len(found) != 0 {
		t.Errorf("what two taken ones do to each other at another site: %v", found)
	}
	taken = planOf(t, wide, "00:00 two 30m 10140200")
	if found := Check(wide, p, Extra{Taken: taken}); len(found) != 0 {
		t.Errorf("two sends either on 20m or on 30m: %v", found)
	}
}

func TestWrongNetwork(t *testing.T) {
	f := mustFleet(t, far("", free, free))
	for name, change := range map[string]func(p *Plan, e *Extra){
		"network":       func(p *Plan, e *Extra) { p.Network = "Other" },
		"slots":         func(p *Plan, e *Extra) { p.SlotSeconds = 60 },
		"history":       func(p *Plan, e *Extra) { e.History = &Plan{Network: "Other", SlotSeconds: 120} },
		"taken":         func(p *Plan, e *Extra) { e.Taken = &Plan{Network: "Other", SlotSeconds: 120} },
		"previous plan": func(p *Plan, e *Extra) { e.Previous = &Plan{Network: "Test", SlotSeconds: 10} },
	} {
		p, extra := planOf(t, f, ""), Extra{}
		change(p, &extra)
		if found := Check(f, p, extra); rules(found) != string(WrongNetwork) {
			t.Errorf("%s: %v", name, found)
		}
	}
}

func TestShortfallList(t *testing.T) {
	f := mustFleet(t, far("", ", share: 0.07, bands: [40m, {name: 20m, sun: day}]", ", share: 0, bands: [40m]"))
	right := Shortfall{Beacon: "one", Wanted: 50, Granted: 1, Reason: "a test"} // floor(0.07 · 720) = 50
	change := func(do func(s *Shortfall)) Shortfall { s := right; do(&s); return s }
	for _, tt := range []struct {
		name string
		list []Shortfall
		want int
	}{
		{"true", []Shortfall{right}, 0},
		{"missing", nil, 1},
		{"twice", []Shortfall{right, right}, 1},
		{"without a reason", []Shortfall{change(func(s *Shortfall) { s.Reason = "" })}, 1},
		{"wrong demand", []Shortfall{change(func(s *Shortfall) { s.Wanted = 51 })}, 1},
		{"wrong grant", []Shortfall{change(func(s *Shortfall) { s.Granted = 0 })}, 1},
		{"one who wants nothing", []Shortfall{right, {Beacon: "two", Reason: "a test"}}, 1},
		{"a stranger", []Shortfall{right, {Beacon: "six", Reason: "a test"}}, 1},
		{"a usable band", []Shortfall{right, {Beacon: "one", Band: "20m", Reason: "a test"}}, 1},
		{"a foreign band", []Shortfall{right, {Beacon: "one", Band: "30m", Reason: "a test"}}, 1},
	} {
		p := planOf(t, f, "12:00 one 40m 7040100")
		p.Shortfalls = tt.list
		found := Check(f, p, Extra{})
		if len(found) != tt.want || len(found) > 0 && found[0].Rule != ShortfallList {
			t.Errorf("%s: %v", tt.name, found)
		}
	}
	vague := mustFleet(t, strings.Replace(far("", free, free), "uncertainty_ppm: 0", "uncertainty_ppm: 10", 1))
	p := planOf(t, vague, "")
	listShortfalls(vague, p, nil)
	if found := Check(vague, p, Extra{}); len(found) != 0 {
		t.Errorf("20m has no room for u = 141 Hz: %v", found)
	}
	p.Shortfalls = slices.DeleteFunc(p.Shortfalls, func(s Shortfall) bool { return s.Band == "20m" })
	if found := Check(vague, p, Extra{}); rules(found) != string(ShortfallList) {
		t.Errorf("a band without room must be listed: %v", found)
	}
}

func TestMostViolations(t *testing.T) {
	f := mustFleet(t, far("", free, free))
	p := planOf(t, f, strings.Repeat("00:00 one 40m 1000\n", 500))
	if found := Check(f, p, Extra{Most: 7}); len(found) != 7 {
		t.Errorf("%d violations", len(found))
	}
}
