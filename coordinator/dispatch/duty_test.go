package dispatch

import (
	"context"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/people/duty"
	"lamplighter/coordinator/store"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// A site that requires it gets no lease for remote control before somebody is on
// duty, gets it while they are, and none after they have left.
func TestALeaseFollowsWhoIsOnDuty(t *testing.T) {
	b := newBench(t, strings.Replace(twoNear, "{name: mill, locator: IP62ob}", "{name: mill, locator: IP62ob, duty: required}", 1))
	b.lead()
	held := b.orders("mill-hf")
	change := func(do func(ctx context.Context, tx *store.Tx) error) {
		t.Helper()
		if err := b.store.ChangeDuty(t.Context(), do); err != nil {
			t.Fatal(err)
		}
	}
	nobody := func() {
		t.Helper()
		if g := b.granted(request("mill-hf", held)); len(g.Terms) != 0 || !strings.Contains(g.Refusal, "nobody is in control of site mill") {
			t.Errorf("nobody on duty: %v", g)
		}
	}
	nobody()
	change(func(ctx context.Context, tx *store.Tx) error {
		p, _ := duty.Start("mill", "ada", "", time.Hour, tx.Now)
		return tx.StartPeriod(ctx, p)
	})
	if g := b.granted(request("mill-hf", held)); g.Refusal != "" || len(g.Terms) != 1 || g.Terms[0].Control != wirev1.Control_CONTROL_REMOTE {
		t.Errorf("somebody on duty: %v", g)
	}
	change(func(ctx context.Context, tx *store.Tx) error {
		p, err := tx.InControl(ctx, "mill")
		if err != nil {
			return err
		}
		return tx.EndPeriod(ctx, p)
	})
	nobody()
}
