package lease

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/proto/onair/slot"
)

// fleetText is an invented network: two sites near each other and one far, an
// antenna shared by two beacons, and each kind of control.
const fleetText = `
network: {name: Tern Valley Schools, id: tern-valley, near_km: 30, guard_hz: 2, max_signals_per_band: 2}
sites:
  - {name: hilltop, locator: IP62oa, transmitters_at_once: 2, not_together: [[30m, 17m]]}
  - {name: mill, locator: IP62ob, transmitters_at_once: 1}
  - {name: harbour, locator: JO59aa, transmitters_at_once: 3}
beacons:
  - {name: hill-a, callsign: Q0TRN, site: hilltop, control: automatic, power_dbm: 23, share: 0.2, shared: [mast], uncertainty_ppm: 0.05, bands: [40m, 30m, 20m, 17m]}
  - {name: hill-b, callsign: Q1TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.2, shared: [mast], uncertainty_ppm: 0.05, bands: [40m, 30m, 20m, 17m]}
  - {name: hill-c, callsign: Q2TRN, site: hilltop, control: remote, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [40m, 30m, 20m, 17m]}
  - {name: hill-d, callsign: Q3TRN, site: hilltop, control: local, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [40m, 30m, 20m, 17m]}
  - {name: mill-a, callsign: Q4TRN, site: mill, control: remote, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [40m, 30m, {name: 10m, control: automatic}]}
  - {name: harbour-a, callsign: Q5TRN, site: harbour, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [40m, 30m, 20m]}
  - {name: harbour-b, callsign: Q6TRN, site: harbour, control: automatic, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.05, bands: [40m, 30m, 20m]}
`

func readFleet(t testing.TB, text string) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Read("fleet.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// noon is the start of slot n0.
var (
	noon = time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
	n0   = slot.Standard.At(noon)
)

func use(n slot.Number, band string, hz float64) Use {
	return Use{Slot: n, Band: band, FrequencyMillihertz: int64(hz * 1000), UncertaintyMillihertz: 100}
}

func TestWhatTwoUsesOfASlotDoToEachOther(t *testing.T) {
	f := readFleet(t, fleetText)
	type other struct {
		name string
		use  Use
	}
	// Widths: 6 Hz for each signal, 2 Hz guard, 0.1 Hz uncertainty on each side.
	for name, c := range map[string]struct {
		me     string
		use    Use
		others []other
		want   Reason
	}{
		"nobody":                 {"hill-a", use(n0, "40m", 100), nil, ""},
		"itself":                 {"hill-a", use(n0, "40m", 100), []other{{"hill-a", use(n0, "20m", 100)}}, ""},
		"one mast":               {"hill-a", use(n0, "40m", 100), []other{{"hill-b", use(n0, "20m", 100)}}, SharedEquipment},
		"two bands at a site":    {"hill-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "20m", 100)}}, ""},
		"bands never together":   {"hill-a", use(n0, "30m", 100), []other{{"hill-c", use(n0, "17m", 100)}}, NotTogether},
		"the other way round":    {"hill-a", use(n0, "17m", 100), []other{{"hill-c", use(n0, "30m", 100)}}, NotTogether},
		"elsewhere they may be":  {"harbour-a", use(n0, "30m", 100), []other{{"hill-c", use(n0, "17m", 100)}}, ""},
		"a third at the site":    {"hill-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "20m", 100)}, {"hill-d", use(n0, "17m", 100)}}, SiteFull},
		"one beacon, two ways":   {"hill-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "20m", 100)}, {"hill-c", use(n0, "17m", 100)}}, ""},
		"one transmitter":        {"mill-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "20m", 100)}}, ""},
		"same band at a site":    {"hill-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "40m", 200)}}, NearBand},
		"same band, near":        {"mill-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "40m", 200)}}, NearBand},
		"same band, far":         {"harbour-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "40m", 200)}}, ""},
		"8.2 Hz apart":           {"harbour-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "40m", 108.2)}}, ""},
		"8.194 Hz: rounding":     {"harbour-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "40m", 108.194)}}, ""},
		"8.193 Hz apart":         {"harbour-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "40m", 108.193)}}, Spacing},
		"below":                  {"harbour-a", use(n0, "40m", 108), []other{{"hill-c", use(n0, "40m", 100)}}, Spacing},
		"a beacon that is gone":  {"harbour-a", use(n0, "40m", 100), []other{{"gone", use(n0, "20m", 100)}}, GoneBeacon},
		"a third signal in band": {"harbour-a", use(n0, "40m", 100), []other{{"hill-c", use(n0, "40m", 150)}, {"mill-a", use(n0, "40m", 130)}}, BandFull},
	} {
		t.Run(name, func(t *testing.T) {
			var others []occupant
			for _, o := range c.others {
				others = append(others, occupant{o.name, f.Beacon(o.name), o.use})
			}
			if got := clash(f, f.Beacon(c.me), c.use, others); got.Reason != c.want {
				t.Errorf("got %+v, want %q", got, c.want)
			}
			if got := newCompany(others).clash(f, f.Beacon(c.me), c.use); got.Reason != c.want {
				t.Errorf("in company got %+v, want %q", got, c.want)
			}
		})
	}
}

var one, two, three = Number{7, 1}, Number{7, 2}, Number{7, 3}

// handOver is a book in which hill-a has slot 10 on 40 m, confirmed, with a
// lease of a given length, and mill-a is to have it.
func handOver(t *testing.T, lease time.Duration) *Book {
	b := NewBook(readFleet(t, fleetText))
	b.Publish("hill-a", one, n0, []Use{use(n0+10, "40m", 100), use(n0+20, "40m", 100)})
	b.Hold("hill-a", one)
	if lease > 0 {
		b.Extend("hill-a", noon.Add(lease))
	}
	return b
}

func allowed(b *Book, now time.Time, wanted map[string][]Use) (list []Use, reason Reason) {
	may, withheld := b.Release(wanted, now)
	if len(withheld) > 0 {
		reason = withheld[0].Reason
	}
	return may["mill-a"], reason
}

func TestASlotChangesHandsInTwoSteps(t *testing.T) {
	b := handOver(t, time.Hour)
	wanted := map[string][]Use{"mill-a": {use(n0+10, "40m", 100)}, "hill-a": {use(n0+20, "40m", 100)}}
	if list, reason := allowed(b, noon, wanted); list != nil || reason != NearBand {
		t.Fatalf("before anything was published: %v, %q", list, reason)
	}
	b.Publish("hill-a", two, n0, []Use{use(n0+20, "40m", 100)})
	if list, reason := allowed(b, noon, wanted); list != nil || reason != NearBand {
		t.Fatalf("published and not confirmed: %v, %q", list, reason)
	}
	if !b.Hold("hill-a", two) || b.Hold("hill-a", two) {
		t.Error("what is news was told wrongly")
	}
	if list, reason := allowed(b, noon, wanted); len(list) != 1 || reason != "" {
		t.Fatalf("confirmed: %v, %q", list, reason)
	}
}

func TestASlotChangesHandsWhenTheLeaseIsOver(t *testing.T) {
	start := slot.Standard.Start(n0 + 10).Sub(noon)
	for name, c := range map[string]struct {
		lease time.Duration
		free  bool
	}{
		"never granted":                   {0, true},
		"over before the slot":            {start - Skew, true},
		"over before, but for the margin": {start - Skew + 1, false},
		"over in the slot":                {start + time.Minute, false},
		"over after it":                   {24 * time.Hour, false},
	} {
		t.Run(name, func(t *testing.T) {
			b := handOver(t, c.lease)
			b.Publish("hill-a", two, n0, nil)
			list, _ := allowed(b, noon, map[string][]Use{"mill-a": {use(n0+10, "40m", 100)}})
			if (len(list) == 1) != c.free {
				t.Errorf("allowed: %v, want %v", list, c.free)
			}
		})
	}
}

func TestAnOldOwnerThatComesBackGetsNoLeaseThatReachesTheSlot(t *testing.T) {
	b := handOver(t, 0)
	b.Publish("hill-a", two, n0, []Use{use(n0+20, "40m", 100)})
	b.Publish("mill-a", one, n0, []Use{use(n0+10, "40m", 100)})
	b.Hold("mill-a", one)
	b.Extend("mill-a", noon.Add(time.Hour))
	back := Request{Beacon: "hill-a", Run: "a", BootID: "k", Held: one, Reader: Format}
	d := b.Decide(back, Known{HeldKnown: true, Now: noon})
	if want := slot.Standard.Start(n0 + 10).Add(-Skew); d.Refusal != "" || !d.Until.Equal(want) || d.Terms[0].Length != want.Sub(noon) {
		t.Errorf("holding the old orders: %+v, want until %v", d, want)
	}
	late := slot.Standard.Start(n0 + 10).Add(-Skew)
	if d := b.Decide(back, Known{HeldKnown: true, Now: late}); d.Refusal != NearBand || d.Terms != nil {
		t.Errorf("too late for any: %+v", d)
	}
	back.Held = two
	if d := b.Decide(back, Known{HeldKnown: true, Now: noon}); d.Until != noon.Add(longest[fleet.Automatic]) || d.Sentence != "" {
		t.Errorf("holding the new orders: %+v", d)
	}
}

func TestTheEndOfALeaseNeverMovesBack(t *testing.T) {
	b := handOver(t, 0)
	for _, length := range []time.Duration{6 * time.Hour, time.Minute, 5 * time.Hour} { // the answer with the shorter one may be lost
		b.Extend("hill-a", noon.Add(length))
		if until, want := b.Until("hill-a"), noon.Add(6*time.Hour+Skew); !until.Equal(want) {
			t.Errorf("after a lease of %v: until %v, want %v", length, until, want)
		}
	}
}

func TestABeaconWhoseDiskWentBackCountsByWhatItSays(t *testing.T) {
	b := handOver(t, time.Hour)
	b.Publish("hill-a", two, n0, nil)
	b.Hold("hill-a", two)
	if !b.Hold("hill-a", one) {
		t.Error("going back is no news")
	}
	if list, reason := allowed(b, noon, map[string][]Use{"mill-a": {use(n0+10, "40m", 100)}}); list != nil || reason != NearBand {
		t.Errorf("%v, %q", list, reason)
	}
}

// A second kernel gets a lease a minute after the first was heard last. Whether
// the first is off or only out of reach nobody knows, and what the second says to
// hold is nothing that the first has said: until its lease is over its slots are
// taken, through the death of leaders, and however many kernels come after it.
func TestWhatAFormerKernelMayObeyIsTakenUntilItsLeaseIsOver(t *testing.T) {
	b := handOver(t, time.Hour)
	b.Publish("hill-a", two, n0, []Use{use(n0+20, "40m", 100)})
	wanted := map[string][]Use{"mill-a": {use(n0+10, "40m", 100)}}
	holder := Holder{Run: "a", BootID: "k1", Heard: noon}
	asks := func(after time.Duration, kernel string, held Number) Decision {
		t.Helper()
		d := b.Decide(Request{Beacon: "hill-a", Run: kernel, BootID: kernel, Held: held, Reader: Format},
			Known{Holder: holder, HeldKnown: true, Now: noon.Add(after)})
		if d.Refusal != "" {
			t.Fatalf("%s after %v: %+v", kernel, after, d)
		}
		holder = d.Holder
		b.Follow("hill-a", d.Former)
		b.Hold("hill-a", held)
		return d
	}
	for i, kernel := range []string{"k2", "k3", "k2"} {
		d := asks(time.Duration(i+1)*2*time.Minute, kernel, two)
		if want := (Former{one, noon.Add(time.Hour + Skew)}); d.Former != want {
			t.Errorf("%s: %+v, want %+v", kernel, d.Former, want)
		}
		if list, reason := allowed(b, noon, wanted); list != nil || reason != NearBand {
			t.Errorf("%s has confirmed: %v, %q", kernel, list, reason)
		}
		if taken := b.Taken(noon).Transmissions; len(taken) != 1 || taken[0].Band != "40m" {
			t.Errorf("%s has confirmed, and the planner is to plan around %v", kernel, taken)
		}
	}
	if d := asks(2*time.Hour, "k2", two); d.Former != (Former{}) {
		t.Errorf("an hour after the end: %+v", d.Former)
	}
	if list, _ := allowed(b, noon, wanted); len(list) != 1 {
		t.Error("the slot of a lease that is over is not given out")
	}
}

func TestABeaconThatIsGoneBlocksItsSlotsUntilItConfirms(t *testing.T) {
	b := NewBook(readFleet(t, fleetText))
	b.Publish("gone", one, n0, []Use{use(n0+10, "20m", 100)})
	b.Hold("gone", one)
	b.Extend("gone", noon.Add(time.Hour))
	wanted := map[string][]Use{"mill-a": {use(n0+10, "40m", 100)}}
	b.Publish("gone", two, n0, nil)
	if list, reason := allowed(b, noon, wanted); list != nil || reason != GoneBeacon {
		t.Errorf("%v, %q", list, reason)
	}
	d := b.Decide(Request{Beacon: "gone", Run: "a", Reader: Format, Held: two}, Known{HeldKnown: true, Now: noon})
	if d.Refusal != UnknownBeacon {
		t.Errorf("%+v", d)
	}
	b.Hold("gone", two)
	if list, reason := allowed(b, noon, wanted); len(list) != 1 || reason != "" {
		t.Errorf("confirmed: %v, %q", list, reason)
	}
}

func TestWhatStandsGoesBeforeWhatIsNew(t *testing.T) {
	b := NewBook(readFleet(t, fleetText))
	b.Publish("mill-a", one, n0, []Use{use(n0+10, "40m", 100)})
	may, withheld := b.Release(map[string][]Use{
		"hill-a": {use(n0+10, "40m", 100)}, // a wrong plan: both at once
		"mill-a": {use(n0+10, "40m", 100)},
		"gone":   {use(n0+10, "40m", 100)},
	}, noon)
	if len(may["mill-a"]) != 1 || len(may["hill-a"]) != 0 || len(may["gone"]) != 0 {
		t.Errorf("allowed %v", may)
	}
	if want := []Withheld{{"hill-a", use(n0+10, "40m", 100), Obstacle{NearBand, "mill-a"}}}; !cmp.Equal(withheld, want, cmp.AllowUnexported(Withheld{})) {
		t.Errorf("withheld %v", withheld)
	}
}

func TestTakenIsWhatTheUnconfirmedMayObey(t *testing.T) {
	b := handOver(t, 30*time.Minute) // reaches slot 10, not slot 20
	if taken := b.Taken(noon); len(taken.Transmissions) != 0 {
		t.Errorf("all is confirmed, and taken is %v", taken.Transmissions)
	}
	extended := use(n0+11, "20m", 100)
	extended.Extended = true
	b.Publish("hill-a", two, n0, []Use{use(n0+10, "30m", 50.5), extended, use(n0+20, "40m", 100)})
	want := []plan.Transmission{
		{Start: slot.Standard.Start(n0 + 10), Beacon: "hill-a", Band: "30m", FrequencyHz: 50.5, Message: plan.Full},
		{Start: slot.Standard.Start(n0 + 10), Beacon: "hill-a", Band: "40m", FrequencyHz: 100, Message: plan.Full},
		{Start: slot.Standard.Start(n0 + 11), Beacon: "hill-a", Band: "20m", FrequencyHz: 100, Message: plan.Extended},
	}
	taken := b.Taken(noon)
	if diff := cmp.Diff(want, taken.Transmissions); diff != "" {
		t.Error(diff)
	}
	if !taken.From.Equal(noon) || !taken.To.Equal(slot.Standard.End(n0+11)) || taken.SlotSeconds != 120 {
		t.Errorf("from %v to %v", taken.From, taken.To)
	}
	if taken := b.Taken(slot.Standard.End(n0 + 10)); len(taken.Transmissions) != 1 {
		t.Errorf("after slot 10 is over: %v", taken.Transmissions)
	}
	b.Forget(slot.Standard.End(n0 + 11))
	if len(b.slots) != 1 || len(b.beacons["hill-a"].claims) != 1 {
		t.Errorf("%d slots are remembered, want slot 20 alone", len(b.slots))
	}
}

func TestStandingIsTheLatestOrders(t *testing.T) {
	b := handOver(t, 0)
	b.Publish("hill-a", two, n0+15, []Use{use(n0+16, "20m", 100)})
	want := []Use{use(n0+10, "40m", 100), use(n0+16, "20m", 100)}
	if diff := cmp.Diff(want, b.Standing("hill-a", n0, n0+100)); diff != "" {
		t.Error(diff)
	}
	if got := b.Standing("hill-a", n0+11, n0+16); got != nil {
		t.Errorf("between: %v", got)
	}
	if b.Latest("hill-a") != two || b.Latest("mill-a") != (Number{}) {
		t.Error("wrong latest numbers")
	}
}

func TestALoadedBookKnowsTheSame(t *testing.T) {
	b := NewBook(readFleet(t, fleetText))
	b.Load("hill-a", use(n0+10, "40m", 100), one, two)
	b.Load("hill-a", use(n0+20, "40m", 100), one, Number{})
	b.LoadLatest("hill-a", two)
	b.Hold("hill-a", one)
	b.Extend("hill-a", noon.Add(time.Hour))
	if list, reason := allowed(b, noon, map[string][]Use{"mill-a": {use(n0+10, "40m", 100)}}); list != nil || reason != NearBand {
		t.Errorf("%v, %q", list, reason)
	}
	if len(b.Taken(noon).Transmissions) != 2 {
		t.Errorf("taken: %v", b.Taken(noon).Transmissions)
	}
}

func TestHowLongALeaseIs(t *testing.T) {
	b := NewBook(readFleet(t, fleetText))
	for beacon, want := range map[string][]Term{
		"hill-a": {{fleet.Automatic, 6 * time.Hour}},
		"hill-b": {{fleet.Remote, 180 * time.Second}},
		"hill-d": {{fleet.Local, 8 * time.Hour}},
		"mill-a": {{fleet.Remote, 180 * time.Second}, {fleet.Automatic, 6 * time.Hour}},
	} {
		d := b.Decide(Request{Beacon: beacon, Run: "a", BootID: "k", Reader: Format}, Known{HeldKnown: true, Now: noon})
		if diff := cmp.Diff(want, d.Terms); diff != "" || d.Refusal != "" {
			t.Errorf("%s: %s %s", beacon, d.Refusal, diff)
		}
		if end := noon.Add(want[len(want)-1].Length); !d.Until.Equal(end) {
			t.Errorf("%s: until %v, want %v", beacon, d.Until, end)
		}
	}
}

func TestWhoIsRefusedALease(t *testing.T) {
	first := Holder{Run: "a", FormerRun: "z", BootID: "k1", Heard: noon}
	in := noon.Add
	beside, both := first, first
	beside.Rival, beside.RivalAt = "k2", in(59*time.Second)
	both.Rival, both.RivalAt, both.Heard = "k2", noon, in(late+time.Nanosecond)
	for name, c := range map[string]struct {
		request Request
		holder  Holder
		unknown bool
		now     time.Time
		want    Reason
		next    Holder
	}{
		"the first ever":                  {Request{Beacon: "hill-a", Run: "a", BootID: "k1", Reader: 1}, Holder{}, false, noon, "", Holder{Run: "a", BootID: "k1", Heard: noon}},
		"the same again":                  {Request{Beacon: "hill-a", Run: "a", BootID: "k1", Reader: 1}, first, false, in(20 * time.Second), "", Holder{Run: "a", FormerRun: "z", BootID: "k1", Heard: in(20 * time.Second)}},
		"started anew":                    {Request{Beacon: "hill-a", Run: "b", BootID: "k1", Reader: 1}, first, false, in(time.Second), "", Holder{Run: "b", FormerRun: "a", BootID: "k1", Heard: in(time.Second)}},
		"the replaced one":                {Request{Beacon: "hill-a", Run: "z", BootID: "k1", Reader: 1}, first, false, in(59 * time.Second), ClonedIdentity, first},
		"... much later":                  {Request{Beacon: "hill-a", Run: "z", BootID: "k1", Reader: 1}, first, false, in(60 * time.Second), "", Holder{Run: "z", FormerRun: "a", BootID: "k1", Heard: in(60 * time.Second)}},
		"a second device":                 {Request{Beacon: "hill-a", Run: "b", BootID: "k2", Reader: 1}, first, false, in(59 * time.Second), OtherKernel, beside},
		"... for long, and the first too": {Request{Beacon: "hill-a", Run: "b", BootID: "k2", Reader: 1}, both, false, in(59 * time.Second), ClonedIdentity, both},
		"... the first silent":            {Request{Beacon: "hill-a", Run: "b", BootID: "k2", Reader: 1}, first, false, in(60 * time.Second), "", Holder{Run: "b", FormerRun: "a", BootID: "k2", Heard: in(60 * time.Second)}},
		"unknown beacon":                  {Request{Beacon: "nobody", Run: "a", BootID: "k1", Reader: 1}, Holder{}, false, noon, UnknownBeacon, Holder{Run: "a", BootID: "k1", Heard: noon}},
		"unknown orders":                  {Request{Beacon: "hill-a", Run: "a", BootID: "k1", Reader: 1, Held: three}, Holder{}, true, noon, UnknownOrders, Holder{Run: "a", BootID: "k1", Heard: noon}},
		"too old a reader":                {Request{Beacon: "hill-a", Run: "a", BootID: "k1"}, Holder{}, false, noon, UpdateNeeded, Holder{Run: "a", BootID: "k1", Heard: noon}},
		"a newer reader":                  {Request{Beacon: "hill-a", Run: "a", BootID: "k1", Reader: 9}, Holder{}, false, noon, "", Holder{Run: "a", BootID: "k1", Heard: noon}},
	} {
		t.Run(name, func(t *testing.T) {
			b := NewBook(readFleet(t, fleetText))
			d := b.Decide(c.request, Known{Holder: c.holder, HeldKnown: !c.unknown, Now: c.now})
			if d.Refusal != c.want || d.Holder != c.next {
				t.Errorf("got %q and %+v, want %q and %+v", d.Refusal, d.Holder, c.want, c.next)
			}
			if refused := d.Refusal != ""; refused != (d.Sentence != "") || refused != (len(d.Terms) == 0) || refused != d.Until.IsZero() {
				t.Errorf("half a refusal: %+v", d)
			}
		})
	}
}

// No term is longer than what a keyer accepts (wire.v1.LeaseTerm, and 47 CFR
// 97.213(b) for remote control).
func TestNoTermIsTooLong(t *testing.T) {
	most := map[fleet.Control]time.Duration{fleet.Remote: 3 * time.Minute, fleet.Automatic: 24 * time.Hour, fleet.Local: 8 * time.Hour}
	for control, length := range longest {
		if length > most[control] {
			t.Errorf("%s: %v", control, length)
		}
	}
	if len(longest) != len(most) {
		t.Errorf("%d kinds of control", len(longest))
	}
}
