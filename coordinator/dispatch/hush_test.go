package dispatch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// give gives a hush as soon as the dispatcher leads.
func (b *bench) give(order HushOrder) Given {
	b.t.Helper()
	for deadline := time.Now().Add(60 * time.Second); time.Now().Before(deadline); {
		given, err := b.d.Give(b.t.Context(), order)
		if fault.Of(err) == fault.Unavailable {
			continue
		}
		if err != nil {
			b.t.Fatal(err)
		}
		return given
	}
	b.t.Fatal("it does not lead after 60 s")
	return Given{}
}

func (b *bench) release(scope fleet.Scope) Released {
	b.t.Helper()
	released, err := b.d.Release(b.t.Context(), scope, "over", "operator")
	if err != nil {
		b.t.Fatal(err)
	}
	return released
}

func scopes(h *wirev1.Hush) string {
	var list []string
	for _, s := range h.Scopes {
		list = append(list, s.GivenFor+"/"+s.Band)
	}
	return strings.Join(list, " ")
}

func TestAHushIsTheWholeStateAndItsNumberGrows(t *testing.T) {
	b := newBench(t, twoNear)
	epoch, end := b.lead()
	given := b.give(HushOrder{Scope: fleet.Scope{Site: "mill"}, Reason: "mast work", By: "operator"})
	if !slices.Equal(given.Beacons, []string{"mill-hf"}) || given.At.IsZero() {
		t.Errorf("%+v", given)
	}
	h := b.hush("mill-hf")
	if h.Epoch != epoch || h.Number != 1 || scopes(h) != "site mill/" || h.Scopes[0].Reason != "mast work" ||
		h.Scopes[0].GivenBy != "operator" || h.Scopes[0].SinceUnixMs != given.At.UnixMilli() || h.Beacon != "mill-hf" || h.Network != "tern-valley" {
		t.Errorf("%+v", h)
	}
	b.give(HushOrder{Scope: fleet.Scope{Band: "40m"}, Reason: "interference", By: "operator"})
	if h := b.hush("mill-hf"); h.Number != 2 || scopes(h) != "site mill/ the whole network/40m" {
		t.Errorf("%+v", h)
	}
	if h := b.hush("hilltop-hf"); h.Number != 1 || scopes(h) != "the whole network/40m" {
		t.Errorf("%+v", h)
	}
	if r := b.release(fleet.Scope{Site: "mill"}); r.Count != 1 || !slices.Equal(r.StillHushed, []string{"mill-hf"}) {
		t.Errorf("%+v", r)
	}
	if h := b.hush("mill-hf"); h.Number != 3 || scopes(h) != "the whole network/40m" {
		t.Errorf("%+v", h)
	}
	if r := b.release(fleet.Scope{}); r.Count != 0 {
		t.Errorf("a scope that nothing was given for: %+v", r)
	}
	end()
	next, _ := b.lead()
	for _, beacon := range []string{"mill-hf", "hilltop-hf"} { // as it was stored
		if h := b.hush(beacon); h.Epoch != epoch || scopes(h) != "the whole network/40m" {
			t.Errorf("%+v", h)
		}
	}
	b.give(HushOrder{Scope: fleet.Scope{Beacon: "mill-hf"}, Reason: "again", By: "operator"})
	if h := b.hush("mill-hf"); h.Epoch != next || h.Number != 1 || scopes(h) != "the whole network/40m beacon mill-hf/" {
		t.Errorf("%+v", h)
	}
	if r := b.release(fleet.Scope{Band: "40m"}); r.Count != 1 || !slices.Equal(r.StillHushed, []string{"mill-hf"}) {
		t.Errorf("%+v", r)
	}
	if h := b.hush("hilltop-hf"); h.Epoch != next || h.Number != 1 || len(h.Scopes) != 0 {
		t.Errorf("%+v", h)
	}
}

func TestAHushNeedsAReasonAndABeacon(t *testing.T) {
	b := newBench(t, twoNear)
	if _, err := b.d.Give(t.Context(), HushOrder{Reason: "x"}); fault.Of(err) != fault.Unavailable {
		t.Errorf("before anybody led: %v", err)
	}
	if _, err := b.d.Release(t.Context(), fleet.Scope{}, "x", "y"); fault.Of(err) != fault.Unavailable {
		t.Errorf("before anybody led: %v", err)
	}
	b.lead()
	b.give(HushOrder{Reason: strings.Repeat("ß", maxReason), By: "operator"})
	for name, order := range map[string]HushOrder{
		"no reason":      {Reason: " "},
		"a long one":     {Reason: strings.Repeat("x", maxReason+1)},
		"nobody there":   {Reason: "x", Scope: fleet.Scope{Site: "harbour"}},
		"no such band":   {Reason: "x", Scope: fleet.Scope{Band: "20m"}},
		"no such beacon": {Reason: "x", Scope: fleet.Scope{Beacon: "harbour-hf"}},
	} {
		if _, err := b.d.Give(t.Context(), order); fault.Of(err) != fault.Invalid && fault.Of(err) != fault.Refused {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := b.d.Release(t.Context(), fleet.Scope{}, "", "y"); fault.Of(err) != fault.Invalid {
		t.Errorf("a release without a reason: %v", err)
	}
}

// S6: a hush waits for nobody who plans, writes orders or gives leases.
func TestAHushGoesOutWhileEverythingElseIsBusy(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	b.orders("mill-hf")
	term := b.d.leading()
	term.decide.Lock()
	defer term.decide.Unlock()
	b.give(HushOrder{Reason: "now", By: "operator"})
	if h := b.hush("mill-hf"); len(h.Scopes) != 1 {
		t.Errorf("%+v", h)
	}
}

func TestABeaconThatComesIntoAScopeIsHushed(t *testing.T) {
	b := newBench(t, oneOnly)
	b.lead()
	first := b.give(HushOrder{Reason: "storm", By: "operator"})
	b.hush("hilltop-hf")
	b.apply(twoNear)
	if h := b.hush("mill-hf"); scopes(h) != "the whole network/" {
		t.Errorf("%+v", h)
	}
	confirmations, err := b.d.Confirmations(t.Context(), first.Hush)
	if err != nil || len(confirmations) != 2 {
		t.Errorf("%+v, %v", confirmations, err)
	}
	if r := b.release(fleet.Scope{}); r.Count != 1 {
		t.Errorf("%+v", r)
	}
	if h := b.hush("mill-hf"); h.Number != 2 || len(h.Scopes) != 0 {
		t.Errorf("%+v", h)
	}
}

func TestAConfirmationIsTheKeyersWordOnThisHushOrALaterOne(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	b.granted(request("mill-hf", b.orders("mill-hf")))
	b.hush("mill-hf") // that nothing is hushed
	given := b.give(HushOrder{Scope: fleet.Scope{Beacon: "mill-hf"}, Reason: "x", By: "operator"})
	h := b.hush("mill-hf")
	live := int64(0)
	for _, c := range []struct {
		name          string
		epoch, number uint64
		silent, want  bool
	}{
		{"an older one", h.Epoch - 1, h.Number + 5, true, false},
		{"not silent yet", h.Epoch, h.Number, false, false},
		{"this one", h.Epoch, h.Number, true, true},
		{"a later one", h.Epoch, h.Number + 1, true, true},
		{"a later epoch", h.Epoch + 1, 1, true, true},
	} {
		live++
		epoch, number := int64(c.epoch), int64(c.number)
		fates, err := b.store.StoreReports(t.Context(), store.Reports{Health: []store.Health{{
			Beacon: "mill-hf", Run: run, LiveSeq: live, HushEpoch: &epoch, HushNumber: &number, HushSilent: c.silent,
		}}})
		if err != nil || fates.Health[0] != store.StatusTaken {
			t.Fatal(fates, err)
		}
		list, err := b.d.Confirmations(t.Context(), given.Hush)
		if err != nil || len(list) != 1 {
			t.Fatal(list, err)
		}
		if got := list[0]; got.Confirmed != c.want || got.At.IsZero() == c.want || got.Site != "mill" || got.SilentBy.IsZero() {
			t.Errorf("%s: %+v", c.name, got)
		}
		confirmed, err := b.d.Confirmed(t.Context(), given.Hush, []string{"hilltop-hf", "mill-hf"})
		if err != nil || len(confirmed) == 1 != c.want || c.want && (confirmed[0].Site != "mill" || !confirmed[0].At.Equal(list[0].At)) {
			t.Errorf("%s: asked who has confirmed: %+v, %v", c.name, confirmed, err)
		}
		if others, err := b.d.Confirmed(t.Context(), given.Hush, []string{"hilltop-hf"}); err != nil || len(others) > 0 {
			t.Errorf("%s: %+v, %v", c.name, others, err)
		}
	}
}

// C1.
func TestADeposedLeaderChangesNothing(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	held := b.orders("mill-hf")
	term := b.d.leading()
	b.takeLead("another")
	if _, err := term.give(t.Context(), HushOrder{Reason: "x", By: "y"}); fault.Of(err) != fault.Unavailable || !errors.Is(err, store.ErrDeposed) {
		t.Errorf("a hush: %v", err)
	}
	if _, err := term.release(t.Context(), fleet.Scope{}, "x", "y"); !errors.Is(err, store.ErrDeposed) {
		t.Errorf("a release: %v", err)
	}
	if _, err := term.writeOrders(t.Context()); !errors.Is(err, store.ErrDeposed) {
		t.Errorf("orders: %v", err)
	}
	if err := b.store.SavePlan(t.Context(), term.epoch, 1, term.writer.Plan); !errors.Is(err, store.ErrDeposed) {
		t.Errorf("a plan: %v", err)
	}
	b.ask(request("mill-hf", held))
	b.quiet(topic.Lease, "mill-hf")
	b.quiet(topic.Hush, "mill-hf")
	if end, err := b.d.LatestLeaseEnd(context.WithoutCancel(t.Context()), "mill-hf"); err != nil || !end.IsZero() {
		t.Errorf("a lease until %v, %v", end, err)
	}
}

// What a regulator has asked for is lifted by two people, not by one who asks
// twice; what else was given for the scope ends at once.
func TestARegulatorsHoldIsLiftedByTwo(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	mill := fleet.Scope{Site: "mill"}
	b.give(HushOrder{Scope: mill, Reason: "mast work", By: "ada"})
	b.give(HushOrder{Scope: mill, Reason: "interference to a service", By: "ada", Regulator: true})
	for i, step := range []struct {
		by   string
		want Released
	}{
		{"ada", Released{Count: 1, Waiting: 1, StillHushed: []string{"mill-hf"}}},
		{"ada", Released{Waiting: 1, StillHushed: []string{}}},
		{"bob", Released{Count: 1, StillHushed: []string{}}},
	} {
		got, err := b.d.Release(t.Context(), mill, "it is over", step.by)
		if err != nil || got.Count != step.want.Count || got.Waiting != step.want.Waiting || !slices.Equal(got.StillHushed, step.want.StillHushed) {
			t.Errorf("release %d, by %s: %+v, %v; want %+v", i+1, step.by, got, err, step.want)
		}
	}
	// A day later the first one's word no longer counts.
	b.give(HushOrder{Scope: mill, Reason: "interference again", By: "ada", Regulator: true})
	if got, err := b.d.Release(t.Context(), mill, "it is over", "ada"); err != nil || got.Waiting != 1 {
		t.Fatalf("%+v, %v", got, err)
	}
	conn, err := b.store.Dedicated(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if _, err := conn.Exec(t.Context(), "update hush_liftings set at = at - interval '1 day'"); err != nil {
		t.Fatal(err)
	}
	if got, err := b.d.Release(t.Context(), mill, "it is over", "bob"); err != nil || got.Count != 0 || got.Waiting != 1 {
		t.Errorf("a day later: %+v, %v", got, err)
	}
}

// Silence is had from a coordinator that does not lead, without waiting for the
// one that does; and that one shows it again from then on.
func TestAHushIsGivenByWhoDoesNotLead(t *testing.T) {
	b := newBench(t, twoNear)
	epoch := b.takeLead("another coordinator")
	given := b.give(HushOrder{Scope: fleet.Scope{Site: "mill"}, Reason: "interference", By: "ada"})
	first := b.hush("mill-hf")
	if len(given.Beacons) != 1 || first.Epoch != epoch || first.Number != 1 || len(first.Scopes) != 1 {
		t.Fatalf("%+v, %v", given, first)
	}
	if _, err := b.d.Release(t.Context(), fleet.Scope{Site: "mill"}, "it is over", "ada"); err != nil {
		t.Fatal(err)
	}
	if second := b.hush("mill-hf"); second.Epoch != epoch || second.Number != 2 || len(second.Scopes) != 0 {
		t.Errorf("released: %v", second)
	}
	// The leader puts up what others have stored, and nothing twice.
	term := newTerm(t.Context(), b.d, readFleet(t, twoNear), 1, epoch)
	defer term.board.close()
	for range 2 {
		if err := term.loadHushes(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if shown := b.hush("mill-hf"); shown.Number != 2 {
		t.Errorf("shown by the leader: %v", shown)
	}
	b.quiet(topic.Hush, "mill-hf")
	b.give(HushOrder{Scope: fleet.Scope{Site: "mill"}, Reason: "interference again", By: "ada"})
	if third := b.hush("mill-hf"); third.Number != 3 {
		t.Errorf("given again: %v", third)
	}
	if err := term.loadHushes(t.Context()); err != nil {
		t.Fatal(err)
	}
	if shown := b.hush("mill-hf"); shown.Number != 3 || len(shown.Scopes) != 1 {
		t.Errorf("shown by the leader: %v", shown)
	}
}

// Hushes of many are sealed by several at once: each beacon gets its own.
func TestEachOfManyHushesIsSealedForItsBeacon(t *testing.T) {
	b := newBench(t, twoNear)
	term := newTerm(t.Context(), b.d, readFleet(t, twoNear), 1, 1)
	defer term.board.close()
	var states []store.HushState
	for i := range 1000 {
		states = append(states, store.HushState{Beacon: fmt.Sprintf("beacon-%d", i), Epoch: 1, Number: 1, Payload: fmt.Appendf(nil, "payload %d", i)})
	}
	hushes := term.sealHushes(states)
	if len(hushes) != len(states) {
		t.Fatalf("%d of %d", len(hushes), len(states))
	}
	for i, h := range hushes {
		payload, err := b.ring.Open(seal.Hush, "tern-valley", states[i].Beacon, h.message)
		if err != nil || h.Beacon != states[i].Beacon || string(payload) != string(states[i].Payload) {
			t.Errorf("%s: %s, %q, %v", states[i].Beacon, h.Beacon, payload, err)
		}
	}
}

// So are orders.
func TestEachOfManyOrdersIsSealedForItsBeacon(t *testing.T) {
	b := newBench(t, twoNear)
	term := newTerm(t.Context(), b.d, readFleet(t, twoNear), 1, 1)
	defer term.board.close()
	var all []store.Orders
	for i := range 1000 {
		all = append(all, store.Orders{Beacon: fmt.Sprintf("beacon-%d", i), Payload: fmt.Appendf(nil, "payload %d", i)})
	}
	for i, message := range term.sealOrders(all) {
		payload, err := b.ring.Open(seal.Orders, "tern-valley", all[i].Beacon, message)
		if err != nil || string(payload) != string(all[i].Payload) {
			t.Errorf("%s: %q, %v", all[i].Beacon, payload, err)
		}
	}
}

// A keyer that can't read its state keeps everything silent until it is told what
// is hushed. So a beacon that was never hushed is told that nothing is, once, when
// it asks for a lease and holds no hush state.
func TestABeaconThatWasNeverHushedIsToldSo(t *testing.T) {
	b := newBench(t, twoNear)
	epoch, _ := b.lead()
	asked := request("mill-hf", b.orders("mill-hf"))
	b.granted(asked)
	if told := b.hush("mill-hf"); told.Epoch != epoch || told.Number != 1 || len(told.Scopes) != 0 {
		t.Errorf("told %v", told)
	}
	b.granted(asked)
	b.quiet(topic.Hush, "mill-hf")
	b.quiet(topic.Hush, "hilltop-hf")
	b.give(HushOrder{Scope: fleet.Scope{Site: "mill"}, Reason: "mast work", By: "ada"})
	if told := b.hush("mill-hf"); told.Number != 2 || len(told.Scopes) != 1 {
		t.Errorf("then hushed: %v", told)
	}
}
