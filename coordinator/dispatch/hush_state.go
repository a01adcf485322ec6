package dispatch

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/store"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// maxScopes is how many scopes a hush state may hold.
const maxScopes = 256

// underHushes is what a beacon's next hush state is made of.
type underHushes struct {
	beacon string
	under  []int64 // all hushes that it is under
	bind   []int64 // those of them that are new to it
}

// sealedHush is a hush state with its message.
type sealedHush struct {
	store.HushState
	message []byte
}

// saveHushStates makes the next states of beacons, each named once, and stores
// them. They are sealed meanwhile: of thousands that takes as long again.
func (t *term) saveHushStates(ctx context.Context, tx *store.LeaderTx, all []underHushes, inForce map[int64]store.Hush) ([]sealedHush, error) {
	if len(all) == 0 {
		return nil, nil
	}
	beacons := make([]string, len(all))
	for i, u := range all {
		beacons[i] = u.beacon
	}
	next, err := tx.NextHushNumbers(ctx, beacons)
	if err != nil {
		return nil, err
	}
	states := make([]store.HushState, len(all))
	for i, u := range all {
		if len(u.under) > maxScopes {
			return nil, fault.New(fault.Refused, "scope", "beacon %s is under %d hushes already: release some of them", u.beacon, len(u.under)-len(u.bind))
		}
		slices.Sort(u.under)
		list := make([]orders.Hush, len(u.under))
		for i, hush := range u.under {
			h := inForce[hush]
			list[i] = orders.Hush{Scope: fleet.Scope{Site: h.Site, Beacon: h.Beacon, Band: h.Band}, Reason: h.Reason, GivenBy: h.GivenBy, GivenAt: h.GivenAt}
		}
		for _, out := range t.ahead.over(t.currentFleet().Beacon(u.beacon)) { // a higher number must not silence less than they do
			if !slices.ContainsFunc(list, func(h orders.Hush) bool { return h.Scope == out.Scope && h.Reason == out.Reason }) {
				list = append(list, out)
			}
		}
		payload, err := orders.HushState(t.currentFleet().Network.ID, u.beacon, number(int64(t.epoch), next[u.beacon]), list)
		if err != nil {
			return nil, err
		}
		states[i] = store.HushState{Beacon: u.beacon, Epoch: int64(t.epoch), Number: next[u.beacon], Payload: payload, Bind: u.bind}
	}
	sealing := make(chan []sealedHush, 1)
	go func() { sealing <- t.sealHushes(states) }()
	err = tx.SaveHushStates(ctx, states...)
	return <-sealing, err
}

// sealHushes seals states, on all processors: people wait for thousands of them.
func (t *term) sealHushes(states []store.HushState) []sealedHush {
	hushes := make([]sealedHush, len(states))
	onAllProcessors(len(states), func(i int) {
		hushes[i] = sealedHush{states[i], t.seal(seal.Hush, states[i].Beacon, states[i].Payload)}
	})
	return hushes
}

// onAllProcessors does something for each number below n, and returns when all of
// it is done.
func onAllProcessors(n int, do func(i int)) {
	const atOnce = 64
	var doing errgroup.Group
	doing.SetLimit(runtime.GOMAXPROCS(0))
	for first := 0; first < n; first += atOnce {
		doing.Go(func() error {
			for i := first; i < min(first+atOnce, n); i++ {
				do(i)
			}
			return nil
		})
	}
	_ = doing.Wait() // none is an error
}

// unshown gives the states that are newer than what is shown.
func (t *term) unshown(states []store.HushState) []store.HushState {
	t.hushGuard.Lock()
	defer t.hushGuard.Unlock()
	return slices.DeleteFunc(states, func(s store.HushState) bool {
		return number(s.Epoch, s.Number).Compare(t.hushShown[s.Beacon]) <= 0
	})
}

// showHushes puts states up that are newer than what is shown.
func (t *term) showHushes(hushes []sealedHush) {
	t.hushGuard.Lock()
	defer t.hushGuard.Unlock()
	for _, s := range hushes {
		if n := number(s.Epoch, s.Number); n.Compare(t.hushShown[s.Beacon]) > 0 {
			t.hushShown[s.Beacon] = n
			t.ahead.know(s.HushState)
			t.showSealed(topic.Hush, s.Beacon, n, s.message)
		}
	}
}

// deposed tells people of a lead that was lost meanwhile.
func deposed(err error) error {
	if errors.Is(err, store.ErrDeposed) {
		return fault.New(fault.Unavailable, "", "another coordinator has taken the lead, and nothing was changed: try again: %w", err)
	}
	return err
}

// Confirmation says how one beacon stands to a hush.
type Confirmation struct {
	Beacon, Site string
	Confirmed    bool      // its keyer says that it is silent under this hush, or a later one
	At           time.Time // when that arrived; zero: not confirmed
	SilentBy     time.Time // the end of the latest lease granted to it; zero: none
}

// Confirmed gives those of beacons that have confirmed a hush by now. Ask again
// for the others.
func (d *Dispatcher) Confirmed(ctx context.Context, hush int64, beacons []string) ([]Confirmation, error) {
	confirmed, err := d.options.Store.HushConfirmed(ctx, hush, beacons)
	list := make([]Confirmation, 0, len(confirmed))
	for _, beacon := range beacons {
		if at, has := confirmed[beacon]; has {
			list = append(list, Confirmation{Beacon: beacon, Site: d.siteOf(beacon), Confirmed: true, At: at})
		}
	}
	return list, err
}

// siteOf is the site of a beacon of the fleet; empty: it is not in the fleet.
func (d *Dispatcher) siteOf(beacon string) string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fleet != nil {
		if b := d.fleet.Beacon(beacon); b != nil {
			return b.Site.Name
		}
	}
	return ""
}

// Confirmations says how each beacon that a hush concerns stands to it now, by
// name.
func (d *Dispatcher) Confirmations(ctx context.Context, hush int64) ([]Confirmation, error) {
	rows, err := d.options.Store.HushConfirmations(ctx, hush)
	if err != nil {
		return nil, err
	}
	list := make([]Confirmation, len(rows))
	for i, row := range rows {
		c := Confirmation{Beacon: row.Beacon, Site: d.siteOf(row.Beacon), Confirmed: row.Confirmed}
		if row.ConfirmedAt != nil {
			c.At = *row.ConfirmedAt
		}
		if row.LeaseEnd != nil {
			c.SilentBy = *row.LeaseEnd
		}
		list[i] = c
	}
	return list, nil
}
