package orders

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// twoNear is an invented network with two sites near each other.
const twoNear = `
network: {name: Tern Valley}
sites:
  - {name: hilltop, locator: IP62oa, time_zone: Etc/UTC}
  - {name: mill, locator: IP62ob, time_zone: Etc/UTC}
beacons:
  - {name: hilltop-hf, callsign: Q0TRN, site: hilltop, control: automatic, power_dbm: 23, share: 0.5, uncertainty_ppm: 0.05, bands: [40m]}
  - {name: mill-hf, callsign: Q1TRN, site: mill, control: remote, power_dbm: 23, share: 0.5, uncertainty_ppm: 0.05, bands: [40m]}
`

func readFleet(t *testing.T, text string) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Read("fleet.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// Planning rule 8.
func TestWhatASlotSays(t *testing.T) {
	call := func(callsign string) *fleet.Beacon {
		text := strings.Replace(twoNear, "Q0TRN", callsign, 1)
		text = strings.Replace(text, "locator: IP62oa", "locator: IP62oa12", 1)
		return readFleet(t, text).Beacon("hilltop-hf")
	}
	const full, extended = wirev1.MessageKind_MESSAGE_KIND_FULL, wirev1.MessageKind_MESSAGE_KIND_EXTENDED
	for name, c := range map[string]struct {
		callsign string
		extended bool
		want     *wirev1.Message
	}{
		"plain":            {"Q0TRN", false, &wirev1.Message{Callsign: "Q0TRN", Locator: "IP62", PowerDbm: 23, Kind: full}},
		"plain, second":    {"Q0TRN", true, &wirev1.Message{Callsign: "Q0TRN", Locator: "IP62OA", PowerDbm: 23, Kind: extended}},
		"compound":         {"Q0TRN/P", false, &wirev1.Message{Callsign: "Q0TRN/P", PowerDbm: 23, Kind: full}},
		"compound, second": {"Q0TRN/P", true, &wirev1.Message{Callsign: "Q0TRN/P", Locator: "IP62OA", PowerDbm: 23, Kind: extended}},
	} {
		t.Run(name, func(t *testing.T) {
			b := call(c.callsign)
			use, _ := b.Use("40m")
			if diff := cmp.Diff(c.want, message(b, use, c.extended), protocmp.Transform()); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// S11: a second message has its first one before it, on the same band, at most
// eight minutes before.
func TestASecondMessageWithoutItsFirstBecomesAFirst(t *testing.T) {
	use := func(n slot.Number, band string, extended bool) lease.Use {
		return lease.Use{Slot: n, Band: band, Extended: extended}
	}
	for name, c := range map[string]struct {
		earlier, uses []lease.Use
		want          []bool
	}{
		"a pair":                {nil, []lease.Use{use(1, "40m", false), use(2, "40m", true)}, []bool{false, true}},
		"eight minutes":         {nil, []lease.Use{use(1, "40m", false), use(5, "40m", true)}, []bool{false, true}},
		"ten minutes":           {nil, []lease.Use{use(1, "40m", false), use(6, "40m", true)}, []bool{false, false}},
		"alone":                 {nil, []lease.Use{use(2, "40m", true)}, []bool{false}},
		"its first was earlier": {[]lease.Use{use(1, "40m", false)}, []lease.Use{use(2, "40m", true)}, []bool{true}},
		"another band":          {nil, []lease.Use{use(1, "20m", false), use(2, "40m", true)}, []bool{false, false}},
		"one between":           {nil, []lease.Use{use(1, "40m", false), use(2, "20m", false), use(3, "40m", true)}, []bool{false, false, false}},
		"two seconds":           {nil, []lease.Use{use(1, "40m", false), use(2, "40m", true), use(3, "40m", true)}, []bool{false, true, false}},
	} {
		t.Run(name, func(t *testing.T) {
			before := slices.Clone(c.uses)
			var got []bool
			for _, u := range pairs(slot.Standard, c.earlier, c.uses) {
				got = append(got, u.Extended)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			if !slices.Equal(before, c.uses) {
				t.Error("the uses that were given are changed")
			}
		})
	}
}

func TestAHorizonIsADayAndBounded(t *testing.T) {
	f := readFleet(t, twoNear)
	now := time.Date(2026, 12, 1, 12, 1, 49, 0, time.UTC)
	for _, c := range []struct {
		now, from time.Time
	}{
		{now, time.Date(2026, 12, 1, 12, 2, 0, 0, time.UTC)},                  // 11 s are enough
		{now.Add(time.Second), time.Date(2026, 12, 1, 12, 4, 0, 0, time.UTC)}, // 10 s are not
		{time.Date(2026, 12, 1, 12, 2, 0, 0, time.UTC), time.Date(2026, 12, 1, 12, 4, 0, 0, time.UTC)},
	} {
		if from, to := Horizon(f, c.now, Ahead); !from.Equal(c.from) || to.Sub(from) != 24*time.Hour {
			t.Errorf("at %v: from %v to %v", c.now, from, to)
		}
	}
	f.Network.Slot = 2
	if from, to := Horizon(f, now, Ahead); to.Sub(from) != mostSlots*2*time.Second {
		t.Errorf("with short slots: %v", to.Sub(from))
	}
}

// A plan is made anew when a beacon around which it was made confirms its orders.
// One that has confirmed them, and whose former kernel may still obey others, is
// not waited for: each plan would be followed by the next.
func TestNobodyWaitsForAFormerKernelToConfirm(t *testing.T) {
	now := time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
	n := slot.Standard.At(now)
	one, two := lease.Number{Epoch: 7, Revision: 1}, lease.Number{Epoch: 7, Revision: 2}
	w := NewWriter(7, readFleet(t, twoNear))
	for _, beacon := range []string{"hilltop-hf", "mill-hf"} {
		w.Book.Publish(beacon, one, n, []lease.Use{{Slot: n + 10, Band: "40m"}})
		w.Book.Publish(beacon, two, n, []lease.Use{{Slot: n + 12, Band: "40m"}})
		w.Book.Extend(beacon, now.Add(time.Hour))
	}
	w.Book.Hold("mill-hf", one)
	w.Book.Hold("hilltop-hf", two)
	w.Book.Follow("hilltop-hf", lease.Former{Held: one, Until: now.Add(time.Hour)})
	in, around := w.PlanInput(now, Ahead)
	if len(in.Taken.Transmissions) != 3 || len(around) != 1 || !around["mill-hf"] {
		t.Errorf("taken %v, around %v", in.Taken.Transmissions, around)
	}
}

// The first of two devices speaks again, with old orders that were taken from it,
// after the second held newer ones and had a lease: nobody knows which of them may
// obey what, so that a neighbour who was given the slot meanwhile is barred from
// it though it holds its latest orders. That needs another plan, and one is made:
// for these orders once, or there would be no end to it.
func TestWhoIsStuckNeedsAnotherPlan(t *testing.T) {
	now := time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
	n := slot.Standard.At(now)
	one, two, three := lease.Number{Epoch: 7, Revision: 1}, lease.Number{Epoch: 7, Revision: 2}, lease.Number{Epoch: 7, Revision: 3}
	w := NewWriter(7, readFleet(t, twoNear))
	asks := func(held lease.Number) (lease.Decision, bool) {
		r := lease.Request{Beacon: "mill-hf", Held: held, Reader: lease.Format}
		d := w.Book.Decide(r, lease.Known{HeldKnown: true, Now: now})
		return d, w.Stuck(r, d)
	}
	slotAt := func(after slot.Number) []lease.Use { return []lease.Use{{Slot: n + after, Band: "40m"}} }
	w.Book.Publish("hilltop-hf", one, n, slotAt(1))
	w.Book.Publish("hilltop-hf", two, n, nil)
	w.Book.Extend("hilltop-hf", now.Add(time.Hour))
	w.Book.Hold("hilltop-hf", two)
	w.Book.Publish("mill-hf", one, n, slotAt(1))
	w.Book.Hold("mill-hf", one)
	if d, stuck := asks(one); d.Barred || stuck {
		t.Errorf("nothing bars it: %+v, %v", d, stuck)
	}
	w.Book.Follow("hilltop-hf", lease.Former{Held: one, Until: now.Add(time.Hour)})
	for i, want := range []bool{true, false} {
		if d, stuck := asks(one); !d.Barred || stuck != want {
			t.Errorf("request %d: %+v, stuck %v", i, d, stuck)
		}
	}
	w.Book.Publish("mill-hf", two, n, slotAt(1))
	if _, stuck := asks(one); stuck {
		t.Error("newer orders are on their way to it")
	}
	if _, stuck := asks(two); !stuck {
		t.Error("the newer orders are no better")
	}
	in, _ := w.PlanInput(now, Ahead)
	if taken := in.Taken.Transmissions; len(taken) != 1 || taken[0].Beacon != "hilltop-hf" {
		t.Errorf("the next plan is made around %v", taken)
	}
	w.Book.Publish("mill-hf", three, n, slotAt(3))
	if d, stuck := asks(three); d.Barred || stuck {
		t.Errorf("with other orders: %+v, %v", d, stuck)
	}
}
