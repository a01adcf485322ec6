package dispatch

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/store/storetest"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/topic"
)

// hold keeps others from the hushes in a database, as a server does that answers
// nothing, until the returned call.
func hold(t *testing.T, url string) (let func()) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Exec(t.Context(), "begin; lock table hushes in access exclusive mode"); err != nil {
		t.Fatal(err)
	}
	return func() { _ = conn.Close(context.WithoutCancel(t.Context())) }
}

// keepHushes runs KeepHushes until the returned call, or the end of the test.
func (b *bench) keepHushes() (end func()) {
	ctx, cancel := context.WithCancel(b.t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); b.d.KeepHushes(ctx) }()
	end = func() { cancel(); <-ended }
	b.t.Cleanup(end)
	return end
}

func TestAHushGoesOutAheadOfADatabaseThatDoesNotAnswer(t *testing.T) {
	url := storetest.URL(t)
	b := newBenchOn(t, storetest.Open(t, url, store.Options{LockTimeout: time.Second}), twoNear)
	epoch, _ := b.lead()
	b.give(HushOrder{Scope: fleet.Scope{Site: "mill"}, Reason: "mast work", By: "operator"})
	b.hush("mill-hf")

	let := hold(t, url)
	given := b.give(HushOrder{Scope: fleet.Scope{Beacon: "hilltop-hf"}, Reason: "it does not stop", By: "operator"})
	if given.Hush != 0 || len(given.Beacons) != 1 || given.At.IsZero() {
		t.Errorf("%+v", given)
	}
	if h := b.hush("hilltop-hf"); h.Epoch != epoch || h.Number != 0 || scopes(h) != "beacon hilltop-hf/" || h.Scopes[0].Reason != "it does not stop" {
		t.Errorf("%+v", h)
	}
	b.give(HushOrder{Scope: fleet.Scope{Band: "40m"}, Reason: "interference", By: "kim"})
	if h := b.hush("hilltop-hf"); h.Epoch != epoch || h.Number != 0 || scopes(h) != "beacon hilltop-hf/ the whole network/40m" {
		t.Errorf("what went out before is lost: %+v", h)
	}
	if h := b.hush("mill-hf"); h.Epoch != epoch || h.Number != 1 || scopes(h) != "site mill/ the whole network/40m" {
		t.Errorf("it does not silence more than what is stored, under the same number: %+v", h)
	}
	if _, err := b.d.Release(t.Context(), fleet.Scope{Site: "mill"}, "over", "operator"); fault.Of(err) != fault.Unavailable {
		t.Errorf("a release while something is not stored: %v", err)
	}
	b.d.Republish() // what lies with the broker is said once more, or twice

	let()
	b.keepHushes()
	next := func(beacon string, number uint64) *wirev1.Hush {
		for {
			if h := b.hush(beacon); h.Number == number {
				return h
			} else if h.Number > number || scopes(h) == "" {
				t.Fatalf("before number %d: %+v", number, h)
			}
		}
	}
	// The first is stored, and the second is not yet: it silences no less for that.
	if h := next("hilltop-hf", 1); h.Epoch != epoch || scopes(h) != "beacon hilltop-hf/ the whole network/40m" || h.Scopes[0].SinceUnixMs != given.At.UnixMilli() {
		t.Errorf("%+v", h)
	}
	if h := next("hilltop-hf", 2); scopes(h) != "beacon hilltop-hf/ the whole network/40m" {
		t.Errorf("%+v", h)
	}
	if h := next("mill-hf", 2); scopes(h) != "site mill/ the whole network/40m" {
		t.Errorf("%+v", h)
	}
	stored, err := b.store.Hushes(t.Context())
	if err != nil || len(stored) != 3 || stored[1].GivenBy != "operator" || stored[2].GivenBy != "kim" || !stored[1].GivenAt.Equal(given.At.Truncate(time.Microsecond)) {
		t.Errorf("%+v, %v", stored, err)
	}
	if r := b.release(fleet.Scope{Beacon: "hilltop-hf"}); r.Count != 1 {
		t.Errorf("%+v", r)
	}
	if h := b.hush("hilltop-hf"); h.Number != 3 || scopes(h) != "the whole network/40m" {
		t.Errorf("%+v", h)
	}
}

// A database that is only slow stores it in the end, once, and the beacons have it
// before that.
func TestAHushGoesOutAheadOfADatabaseThatIsSlow(t *testing.T) {
	url := storetest.URL(t)
	b := newBenchOn(t, storetest.Open(t, url, store.Options{LockTimeout: time.Minute}), twoNear)
	epoch, _ := b.lead()
	b.keepHushes()
	let := hold(t, url)
	b.d.answersSoon = 50 * time.Millisecond
	given := make(chan Given)
	go func() {
		given <- b.give(HushOrder{Scope: fleet.Scope{Site: "mill"}, Reason: "mast work", By: "operator"})
	}()
	if h := b.hush("mill-hf"); h.Epoch != epoch || h.Number != 0 || scopes(h) != "site mill/" {
		t.Errorf("%+v", h)
	}
	let()
	if g := receive(t, given); g.Hush == 0 {
		t.Errorf("%+v", g)
	}
	if h := b.hush("mill-hf"); h.Number != 1 || scopes(h) != "site mill/" {
		t.Errorf("%+v", h)
	}
	if stored, err := b.store.Hushes(t.Context()); err != nil || len(stored) != 1 {
		t.Errorf("%+v, %v", stored, err)
	}
	if b.d.ahead.any() {
		t.Error("it is still to be stored")
	}
}

// A coordinator that does not lead gives it too, by what it has read before; and
// whoever takes the lead stores it before anything else is said.
func TestAHushGoesOutAheadFromACoordinatorThatDoesNotLead(t *testing.T) {
	url := storetest.URL(t)
	b := newBenchOn(t, storetest.Open(t, url, store.Options{LockTimeout: time.Second}), twoNear)
	if b.d.sendAhead(t.Context(), HushOrder{Reason: "x"}) != nil {
		t.Error("a hush went out where nobody has ever led, and no beacon would believe it")
	}
	epoch, end := b.lead()
	b.give(HushOrder{Scope: fleet.Scope{Site: "mill"}, Reason: "mast work", By: "operator"})
	b.hush("mill-hf")
	end()

	fresh := b.d.options // as on another computer
	fresh.Metrics = prometheus.NewRegistry()
	other := New(fresh)
	other.SetFleet(b.d.fleet, b.d.version)
	if _, err := other.learnHushes(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	b.d = other
	let := hold(t, url)
	b.give(HushOrder{Scope: fleet.Scope{}, Reason: "all of it", By: "operator"})
	if h := b.hush("mill-hf"); h.Epoch != epoch || h.Number != 1 || scopes(h) != "site mill/ the whole network/" {
		t.Errorf("%+v", h)
	}
	if h := b.hush("hilltop-hf"); h.Epoch != epoch || h.Number != 0 || scopes(h) != "the whole network/" {
		t.Errorf("%+v", h)
	}
	let()
	next, _ := b.lead()
	if h := b.hush("mill-hf"); h.Epoch != next || h.Number != 1 || scopes(h) != "site mill/ the whole network/" {
		t.Errorf("the new lead began with %+v", h)
	}
	for len(b.of(at("mill-hf").Topic(topic.Hush))) > 0 { // as whoever leads shows it again
		if h := b.hush("mill-hf"); h.Epoch != next || h.Number != 1 {
			t.Errorf("the new lead went back to %+v", h)
		}
	}
}

// One that beacons obey already is kept until it is stored, also where the lead was
// lost meanwhile.
func TestAHushThatWentOutAheadIsNotForgottenWithTheLead(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	order := HushOrder{Reason: "mast work", By: "operator"}
	out := b.d.sendAhead(t.Context(), order)
	given, err := b.d.settle(t.Context(), order, out, storedHush{err: deposed(store.ErrDeposed)})
	if err != nil || given.Hush != 0 || len(given.Beacons) != 2 {
		t.Errorf("%+v, %v", given, err)
	}
	if err := b.d.storeAhead(t.Context()); err != nil {
		t.Error(err)
	}
	if stored, err := b.store.Hushes(t.Context()); err != nil || len(stored) != 1 {
		t.Errorf("%+v, %v", stored, err)
	}
}

// What the database refuses is not tried for ever, and is in nobody's way.
func TestAHushThatCanNeverBeStored(t *testing.T) {
	b := newBench(t, twoNear)
	b.lead()
	for what, order := range map[string]HushOrder{
		"a site that has left the fleet": {Scope: fleet.Scope{Site: "harbour"}, Reason: "x"},
		"a character that no text has":   {Reason: "\x00"},
	} {
		b.d.ahead.leave(b.d.ahead.add(order))
		if err := b.d.storeAhead(t.Context()); err != nil {
			t.Errorf("%s: %v", what, err)
		}
		if b.d.ahead.any() {
			t.Errorf("%s is still to be stored", what)
		}
	}
	if _, err := b.d.Give(t.Context(), HushOrder{Reason: "\x00"}); err == nil {
		t.Error("a hush that can never be stored is given")
	}
}
