package dispatch

import (
	"context"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/devices/registrar"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/vault"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// told connects the dispatcher with what keeps the events of devices, and gives
// what alerts are made of: the sentence for each beacon that is spoken for
// twice.
func (b *bench) told() func() map[string]string {
	b.t.Helper()
	v, err := vault.Load(b.t.TempDir())
	if err != nil {
		b.t.Fatal(err)
	}
	desk, err := registrar.New(b.t.Context(), registrar.Options{
		Store: b.store, Vault: v, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Metrics: prometheus.NewRegistry(),
	})
	if err != nil {
		b.t.Fatal(err)
	}
	b.d.options.Cloned = desk.Cloned
	return func() map[string]string {
		b.t.Helper()
		seen, err := b.store.ObserveNow(b.t.Context(), nil)
		if err != nil {
			b.t.Fatal(err)
		}
		cloned := map[string]string{}
		for name, known := range seen {
			if known.Cloned != "" {
				cloned[name] = known.Cloned
			}
		}
		return cloned
	}
}

// says is health of a run that comes in.
func (b *bench) says(r *wirev1.LeaseRequest, seq int64) {
	b.t.Helper()
	_, err := b.store.StoreReports(b.t.Context(), store.Reports{
		Health: []store.Health{{Beacon: r.GetBeacon(), Run: r.GetRun(), LiveSeq: seq, Version: "1"}},
	})
	if err != nil {
		b.t.Fatal(err)
	}
}

// later makes it so that the latest request for a lease is as long ago as with
// automatic control.
func (b *bench) later() {
	b.t.Helper()
	conn, err := b.store.Dedicated(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	defer func() { _ = conn.Close(b.t.Context()) }()
	if _, err := conn.Exec(b.t.Context(), "update leases set heard_at = heard_at - interval '5 minutes', rival_at = rival_at - interval '5 minutes'"); err != nil {
		b.t.Fatal(err)
	}
}

// S8: a second device that has its lease because the first is out of reach
// confirms newer orders. It speaks for itself: what the first may still obey
// nobody else gets, nor from the next leader.
func TestASecondDeviceGivesNoSlotOfTheFirstAway(t *testing.T) {
	more, less := strings.Replace(oneOnly, "share: 0.5", "share: 0.9", 1), strings.Replace(twoNear, "share: 0.5", "share: 0.1", 1)
	b := newBench(t, more)
	_, end := b.lead()
	old := b.orders("hilltop-hf")
	b.granted(request("hilltop-hf", old))
	until, err := b.d.LatestLeaseEnd(t.Context(), "hilltop-hf")
	if err != nil {
		t.Fatal(err)
	}
	leased := int64(slot.Standard.At(until.Add(-time.Second)))
	b.apply(less)
	fresh := b.orders("hilltop-hf")
	b.orders("mill-hf")
	b.later()
	second := request("hilltop-hf", fresh)
	second.Run, second.BootId = strings.Repeat("b", 32), "another kernel"
	if g := b.granted(second); g.Refusal != "" {
		t.Fatal(g.Refusal)
	}
	end()
	b.lead()
	b.orders("mill-hf") // what was stored, as it was
	next, held := slots(b.orders("mill-hf")), slots(old)
	given := 0
	for n := range held {
		if n <= leased && !slots(fresh)[n] && n >= fresh.FromSlot {
			given++
		}
	}
	if given < 20 || len(next) == 0 {
		t.Fatalf("%d slots given up, and %d of the neighbour: the test shows nothing", given, len(next))
	}
	for n := range next {
		if held[n] && n <= leased {
			t.Errorf("slot %d was given out while the first device may obey it", n)
		}
	}
}

// S13: people are told before the decision is stored. A coordinator that ends
// between the two tells twice rather than never.
func TestTwoDevicesAreToldOfBeforeItIsStored(t *testing.T) {
	b := newBench(t, twoNear)
	told := ""
	b.d.options.Cloned = func(ctx context.Context, beacon, _ string) {
		told = beacon
		leases, err := b.store.Leases(ctx)
		if err != nil || len(leases) != 1 || leases[0].RivalBootID == nil {
			t.Errorf("told when it was stored already: %+v, %v", leases, err)
		}
	}
	b.lead()
	first := request("mill-hf", b.orders("mill-hf"))
	b.granted(first)
	b.granted(another(first, "b", "another kernel"))
	if g := b.granted(first); g.Refusal != "" || told != "mill-hf" {
		t.Errorf("told of %q, and %+v", told, g)
	}
}

// another is a request of another run.
func another(r *wirev1.LeaseRequest, digit, kernel string) *wirev1.LeaseRequest {
	second := request(r.GetBeacon(), nil)
	second.Run, second.BootId = strings.Repeat(digit, 32), kernel
	return second
}

// S13: a second device, on another kernel, gets no lease, though it says how
// it is before it asks, and though the first asked minutes ago. It is told of
// when the first was heard after it. The first goes on.
func TestACloneGetsNothingAndIsToldOf(t *testing.T) {
	b := newBench(t, twoNear)
	told := b.told()
	b.lead()
	first := request("hilltop-hf", b.orders("hilltop-hf"))
	second := another(first, "b", "another-kernel")
	b.says(first, 1)
	if g := b.granted(first); g.GetRefusal() != "" {
		t.Fatalf("the first device: %v", g)
	}
	b.later()
	b.says(first, 2)
	if cloned := told(); len(cloned) != 0 {
		t.Fatalf("the first device is told of: %v", cloned)
	}
	for seq := range int64(3) {
		b.says(second, 1+seq)
		if g := b.granted(second); len(g.GetTerms()) != 0 || g.GetRefusal() == "" {
			t.Errorf("the second device got %v", g)
		}
		if seq == 0 && len(told()) != 0 {
			t.Error("a device that may have been started anew is told of")
		}
		b.later()
		b.says(first, 3+seq) // beside the other run
	}
	if cloned := told(); !strings.HasPrefix(cloned["hilltop-hf"], "another device speaks as hilltop-hf") || len(cloned) != 1 {
		t.Errorf("told: %v", cloned)
	}
	events, err := b.store.DeviceEvents(t.Context(), 10)
	if err != nil || len(events) != 1 || events[0].Kind != string(registrar.DeviceCloned) || events[0].Beacon != "hilltop-hf" {
		t.Errorf("kept: %+v, %v; want one event, whatever comes again", events, err)
	}
	if g := b.granted(first); g.GetRefusal() != "" || len(g.GetTerms()) != 1 {
		t.Errorf("the first device after that: %v", g)
	}
}

// An agent that is started anew gets its lease at once and nobody is told. When
// the run that it replaced asks all the same, that one gets nothing and is told
// of.
func TestARestartIsNoCloneUntilTheFormerRunSpeaks(t *testing.T) {
	b := newBench(t, twoNear)
	told := b.told()
	b.lead()
	first := request("hilltop-hf", b.orders("hilltop-hf"))
	second := another(first, "b", first.GetBootId())
	b.says(first, 1)
	b.granted(first)
	b.says(second, 1)
	if g := b.granted(second); g.GetRefusal() != "" || len(g.GetTerms()) != 1 {
		t.Errorf("started anew: %v", g)
	}
	if cloned := told(); len(cloned) != 0 {
		t.Errorf("a restart is told of: %v", cloned)
	}
	b.later()
	b.says(second, 2)
	if g := b.granted(first); len(g.GetTerms()) != 0 || !strings.Contains(g.GetRefusal(), "another device") {
		t.Errorf("the former run beside it: %v", g)
	}
	if cloned := told(); cloned["hilltop-hf"] == "" {
		t.Error("nobody is told")
	}
	if g := b.granted(second); g.GetRefusal() != "" || len(g.GetTerms()) != 1 {
		t.Errorf("the one that came last, after that: %v", g)
	}
}

// A device that is started anew on the same card, within the minute, waits for
// its lease; nobody is told, neither then nor later. A device that asks beside a
// clone is told of with its own next request.
func TestARebootIsNoCloneUntilTheFormerKernelSpeaks(t *testing.T) {
	b := newBench(t, twoNear)
	told := b.told()
	b.lead()
	first := request("hilltop-hf", b.orders("hilltop-hf"))
	second := another(first, "b", "another-kernel")
	b.granted(first)
	b.says(first, 1)
	b.says(second, 1)
	if g := b.granted(second); len(g.GetTerms()) != 0 || !strings.Contains(g.GetRefusal(), "started anew") {
		t.Errorf("right after the reboot: %v", g)
	}
	b.later() // the former kernel was heard minutes ago
	b.says(second, 2)
	if g := b.granted(second); g.GetRefusal() != "" || len(g.GetTerms()) != 1 {
		t.Errorf("after the minute: %v", g)
	}
	if cloned := told(); len(cloned) != 0 {
		t.Errorf("a reboot is told of: %v", cloned)
	}
	third := another(first, "c", "a-third-kernel")
	if g := b.granted(third); len(g.GetTerms()) != 0 {
		t.Errorf("a third kernel: %v", g)
	}
	if cloned := told(); len(cloned) != 0 {
		t.Errorf("told of before both have spoken: %v", cloned)
	}
	if g := b.granted(second); g.GetRefusal() != "" || len(g.GetTerms()) != 1 {
		t.Errorf("the device beside a clone: %v", g)
	}
	if cloned := told(); cloned["hilltop-hf"] == "" {
		t.Error("nobody is told of a clone")
	}
}
