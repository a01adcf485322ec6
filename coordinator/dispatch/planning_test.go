package dispatch

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/proto/topic"
)

// slowly puts a planner in place that, from the second plan on, works until it is
// told to end. began hears of each such plan; what is sent to end lets one go.
func (b *bench) slowly() (began <-chan struct{}, end chan<- struct{}) {
	begins, ends := make(chan struct{}, 10), make(chan struct{})
	plans := 0
	b.d.makes = func(in planner.Input, progress planner.Progress) (*plan.Plan, error) {
		if plans++; plans > 1 {
			begins <- struct{}{}
			select {
			case <-ends:
			case <-b.t.Context().Done(): // the test is over
			}
		}
		return planner.Make(in, progress)
	}
	return begins, ends
}

// TestRenewalsGoOnWhileAPlanIsMade: however long a plan takes, every renewal is
// answered, a hush goes out, and orders by the plan in force stay in force.
func TestRenewalsGoOnWhileAPlanIsMade(t *testing.T) {
	b := newBench(t, twoNear)
	began, end := b.slowly()
	b.lead()
	first, other := b.orders("mill-hf"), b.orders("hilltop-hf")

	b.apply(strings.Replace(twoNear, "share: 0.5", "share: 0.3", 1))
	receive(t, began)
	const renewals = 20 // one each 20 s: as long as two leases of remote control
	for i := range renewals {
		for _, r := range []string{"mill-hf", "hilltop-hf"} {
			held := first
			if r == "hilltop-hf" {
				held = other
			}
			if g := b.granted(request(r, held)); g.Refusal != "" || len(g.Terms) != 1 {
				t.Fatalf("renewal %d of %s while a plan is made: %v", i+1, r, g)
			}
		}
	}
	b.quiet(topic.Orders, "mill-hf")

	end <- struct{}{}
	if next := b.orders("hilltop-hf"); next.Revision <= other.Revision {
		t.Errorf("orders of the new plan are %d, those before were %d", next.Revision, other.Revision)
	}
}

// TestRenewalsGoOnWhileAPlanIsGivenUp: a plan that is overtaken by another fleet
// file is given up, and another made; no renewal waits for either.
func TestRenewalsGoOnWhileAPlanIsGivenUp(t *testing.T) {
	b := newBench(t, twoNear)
	began, end := b.slowly()
	b.lead()
	held := b.orders("mill-hf")
	for i, share := range []string{"share: 0.3", "share: 0.2"} {
		b.apply(strings.Replace(twoNear, "share: 0.5", share, 1))
		if i == 0 {
			receive(t, began)
		}
		if g := b.granted(request("mill-hf", held)); g.Refusal != "" {
			t.Fatalf("a renewal after fleet file %d: %s", i+2, g.Refusal)
		}
	}
	end <- struct{}{} // it hears that it was given up
	receive(t, began)
	if g := b.granted(request("mill-hf", held)); g.Refusal != "" {
		t.Fatalf("a renewal while the plan is made anew: %s", g.Refusal)
	}
	end <- struct{}{}
	b.orders("hilltop-hf")
}

// However many beacons confirm, and however often, the next plan is made once the
// orders of the latest have settled: not at once, and not ever later.
func TestThePlanAfterConfirmationsWaitsUntilTheyHaveSettled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &loop{next: time.NewTimer(extendEvery)}
		began := time.Now()
		l.replanSettled()
		time.Sleep(settles - time.Second)
		l.replanSettled()
		<-l.next.C
		if waited := time.Since(began); waited != settles {
			t.Errorf("after %v, want %v", waited, settles)
		}
	})
}
