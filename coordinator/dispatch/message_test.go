package dispatch

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/plan"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

func TestAnEnvelopeIsTheLicence(t *testing.T) {
	b := newBench(t, twoNear)
	licensed := strings.Replace(twoNear, "power_dbm: 23, share: 0.5, uncertainty_ppm: 0.05, bands: [40m]}",
		"power_dbm: 23, licence: {max_power_dbm: 30, valid_from: 2026-01-01, valid_to: 2027-12-31, segments: [{from_hz: 7000000, to_hz: 7100000, limit_dbm: 27}, {from_hz: 14000000, to_hz: 14350000, limit_dbm: 50}]}, share: 0.5, uncertainty_ppm: 0.05, bands: [40m, {name: 20m, control: remote}]}", 1)
	made := time.Unix(1_790_000_000, 0)
	for beacon, want := range map[string]*wirev1.Envelope{
		"hilltop-hf": {
			LeastReader: 1, Network: "tern-valley", Beacon: "hilltop-hf", Number: 1_790_000_000, Callsign: "Q0TRN", Locator: "IP62OA",
			ValidFromUnix: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Unix(), ValidToUnix: time.Date(2028, 1, 1, 0, 0, 0, 0, time.UTC).Unix(),
			Bands: []*wirev1.EnvelopeBand{
				{Band: "40m", Control: wirev1.Control_CONTROL_AUTOMATIC, MaxPowerDbm: 30, Segments: []*wirev1.Segment{{FromHz: 7_000_000, ToHz: 7_100_000, LimitDbm: 27}}},
				{Band: "20m", Control: wirev1.Control_CONTROL_REMOTE, MaxPowerDbm: 30, Segments: []*wirev1.Segment{{FromHz: 14_000_000, ToHz: 14_350_000, LimitDbm: 50}}},
			},
			Source: "fleet file, version 12", SlotSeconds: 120,
		},
		"mill-hf": {
			LeastReader: 1, Network: "tern-valley", Beacon: "mill-hf", Number: 1_790_000_000, Callsign: "Q1TRN", Locator: "IP62OB",
			// 40 m: dial 7,038,600 Hz, window 1,400 to 1,600 Hz (reference values; the WSPR sub-band).
			Bands:  []*wirev1.EnvelopeBand{{Band: "40m", Control: wirev1.Control_CONTROL_REMOTE, MaxPowerDbm: 23, Segments: []*wirev1.Segment{{FromHz: 7_040_000, ToHz: 7_040_200, LimitDbm: 23}}}},
			Source: "fleet file, version 12", SlotSeconds: 120,
		},
	} {
		sealed, err := orders.BuildEnvelope(b.d.options.Signer, readFleet(t, licensed), beacon, 12, made)
		if err != nil {
			t.Fatal(err)
		}
		payload, err := b.ring.Open(seal.Envelope, "tern-valley", beacon, sealed)
		if err != nil {
			t.Fatal(err)
		}
		var got wirev1.Envelope
		if err := proto.Unmarshal(payload, &got); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, &got, protocmp.Transform()); diff != "" {
			t.Errorf("%s:\n%s", beacon, diff)
		}
	}
	if _, err := orders.BuildEnvelope(b.d.options.Signer, readFleet(t, twoNear), "nobody", 1, made); fault.Of(err) != fault.NotFound {
		t.Errorf("an unknown beacon: %v", err)
	}
}

func TestOrdersAreWrittenAnewOnlyWhenTheyDifferOrReachFurther(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	first := b.orders("mill-hf")
	b.orders("hilltop-hf")
	term := b.d.leading()
	write := func() {
		t.Helper()
		if _, err := term.writeOrders(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	change := func(do func(p *plan.Plan)) {
		term.decide.Lock()
		defer term.decide.Unlock()
		next := *term.writer.Plan
		next.Transmissions = slices.Clone(next.Transmissions)
		do(&next)
		term.writer.Plan = &next
	}
	write()
	if latest := term.writer.Book.Latest("mill-hf"); latest != (lease.Number{Epoch: first.Epoch, Revision: 1}) {
		t.Fatalf("nothing changed, and the latest is %v", latest)
	}
	change(func(p *plan.Plan) { p.To = p.To.Add(time.Hour) })
	write()
	second := b.orders("mill-hf")
	if second.Revision != 2 || second.ToSlot != first.ToSlot+30 || b.orders("hilltop-hf").Revision != 2 {
		t.Errorf("revision %d to slot %d, before %d", second.Revision, second.ToSlot, first.ToSlot)
	}
	change(func(p *plan.Plan) {
		last := len(p.Transmissions) - 1
		for p.Transmissions[last].Beacon != "mill-hf" {
			last--
		}
		p.Transmissions = slices.Delete(p.Transmissions, last, last+1)
	})
	write()
	if third := b.orders("mill-hf"); third.Revision != 3 || len(third.Transmissions) != len(slots(second))-1 {
		t.Errorf("revision %d with %d transmissions", third.Revision, len(third.Transmissions))
	}
	if latest := term.writer.Book.Latest("hilltop-hf"); latest.Revision != 2 {
		t.Errorf("its orders are as they were, and have revision %d", latest.Revision)
	}
}
