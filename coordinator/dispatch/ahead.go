package dispatch

import (
	"context"
	"slices"
	"sync"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/store"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// How long the database has to store a hush before that goes out ahead of it: for
// any, and for each beacon of the fleet besides; and how much longer it has before
// somebody is told so.
const (
	answersSoon    = 2 * time.Second
	answersForEach = time.Millisecond
	storesWithin   = 5 * time.Second
)

// Times of KeepHushes.
const (
	storeAgain = time.Second
	lookAgain  = 5 * time.Second
)

// ahead are the hushes that went out ahead of the database, and what has to be
// known for that while it can't be asked.
type ahead struct {
	storing chan struct{} // holds one while somebody stores them

	mu     sync.Mutex
	given  []*aheadOrder              // oldest first
	epoch  uint64                     // the latest that is known
	states map[string]store.HushState // the latest of each beacon that was ever hushed
}

// aheadOrder is a hush that went out ahead of the database.
type aheadOrder struct {
	HushOrder
	underway bool // whoever gave it still hopes to store it
}

// storedHush is what came of storing one.
type storedHush struct {
	given Given
	err   error
}

// know keeps a state in mind.
func (a *ahead) know(s store.HushState) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.states == nil {
		a.states = map[string]store.HushState{}
	}
	if old, known := a.states[s.Beacon]; !known || number(old.Epoch, old.Number).Compare(number(s.Epoch, s.Number)) < 0 {
		a.states[s.Beacon] = s
	}
}

// leads says which epoch is the latest.
func (a *ahead) leads(epoch uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.epoch = max(a.epoch, epoch)
}

// latest is the latest epoch that is known; 0: none is.
func (a *ahead) latest() uint64 {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.epoch
}

// add notes that a hush goes out ahead.
func (a *ahead) add(order HushOrder) *aheadOrder {
	a.mu.Lock()
	defer a.mu.Unlock()
	out := &aheadOrder{order, true}
	a.given = append(a.given, out)
	return out
}

// leave says that whoever gave a hush does not store it any more.
func (a *ahead) leave(out *aheadOrder) {
	a.mu.Lock()
	defer a.mu.Unlock()
	out.underway = false
}

// stored forgets one that is stored, or never can be.
func (a *ahead) stored(out *aheadOrder) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.given = slices.DeleteFunc(a.given, func(one *aheadOrder) bool { return one == out })
}

// any says whether there are some.
func (a *ahead) any() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.given) > 0
}

// next is the oldest that nobody else is storing; nil: there is none.
func (a *ahead) next() *aheadOrder {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, one := range a.given {
		if !one.underway {
			return one
		}
	}
	return nil
}

// over are those that a beacon of the fleet lies in the scope of; nil is none.
func (a *ahead) over(b *fleet.Beacon) []orders.Hush {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.concerning(b)
}

// concerning is over, with the lock held.
func (a *ahead) concerning(b *fleet.Beacon) (list []orders.Hush) {
	for _, g := range a.given {
		if b != nil && orders.Concerns(g.Scope, b) {
			list = append(list, orders.Hush{Scope: g.Scope, Reason: g.Reason, GivenBy: g.By, GivenAt: g.at})
		}
	}
	return list
}

// messages are the states of all beacons that hushes went out to ahead of the
// database, each with those hushes.
func (a *ahead) messages(f *fleet.Fleet) ([]sealedHush, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	var list []sealedHush
	for _, b := range f.Beacons {
		more := a.concerning(b)
		if len(more) == 0 {
			continue
		}
		payload, n, err := orders.MoreHushed(a.states[b.Name].Payload, f.Network.ID, b.Name, a.epoch, more)
		if err != nil {
			return nil, err
		}
		list = append(list, sealedHush{HushState: store.HushState{Beacon: b.Name, Epoch: int64(n.Epoch), Number: int64(n.Revision), Payload: payload}})
	}
	return list, nil
}

// answersWithin is how long a hush waits for the database.
func (d *Dispatcher) answersWithin() time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fleet == nil {
		return d.answersSoon
	}
	return d.answersSoon + time.Duration(len(d.fleet.Beacons))*answersForEach
}

// sendAhead publishes a hush that is not stored yet. nil: that can't be done, since
// nothing is known of the beacons, or nobody lies in its scope.
func (d *Dispatcher) sendAhead(ctx context.Context, order HushOrder) *aheadOrder {
	d.mu.Lock()
	f := d.fleet
	d.mu.Unlock()
	if f == nil || d.ahead.latest() == 0 || len(orders.InScope(f, order.Scope)) == 0 {
		return nil
	}
	order.at = time.Now()
	out := d.ahead.add(order)
	if err := d.showAhead(ctx); err != nil {
		d.options.Log.Error("a hush could not be published ahead of the database", "error", err)
	}
	return out
}

// settle says what came of a hush. out: it went out ahead already; nil: it has not.
func (d *Dispatcher) settle(ctx context.Context, order HushOrder, out *aheadOrder, outcome storedHush) (Given, error) {
	err := outcome.err
	if out == nil && err != nil && fault.Of(err) == fault.Internal && !refused(err) && ctx.Err() == nil {
		out = d.sendAhead(ctx, order)
	}
	switch {
	case out == nil:
		return outcome.given, err
	case err == nil, refused(err):
		d.ahead.stored(out)
		return outcome.given, err
	}
	d.ahead.leave(out)
	d.mu.Lock()
	f := d.fleet
	d.mu.Unlock()
	beacons := orders.InScope(f, order.Scope)
	d.options.Log.Error("a hush went out ahead of the database, which does not take it; it is stored when it does, if this program runs until then",
		"scope", order.Scope.String(), "by", order.By, "beacons", len(beacons), "error", err)
	return Given{At: out.at, Beacons: beacons}, nil
}

// refused says that an order will never be stored, however often that is tried.
func refused(err error) bool {
	kind := fault.Of(err)
	return kind == fault.Invalid || kind == fault.Refused || store.RefusesData(err)
}

// showAhead publishes what is not stored yet, under the numbers that beacons
// have: they take it because it silences more.
func (d *Dispatcher) showAhead(ctx context.Context) error {
	if !d.ahead.any() {
		return nil
	}
	d.mu.Lock()
	t, f, version := d.term, d.fleet, d.version
	d.mu.Unlock()
	hushes, err := d.ahead.messages(f)
	if err != nil {
		return err
	}
	if t == nil {
		t = newTerm(context.WithoutCancel(ctx), d, f, version, 0)
		defer t.board.close()
	}
	for _, h := range hushes {
		t.showSealed(topic.Hush, h.Beacon, number(h.Epoch, h.Number), t.seal(seal.Hush, h.Beacon, h.Payload))
	}
	return nil
}

// storeAhead stores what went out ahead of the database, oldest first.
func (d *Dispatcher) storeAhead(ctx context.Context) error {
	if d.ahead.next() == nil {
		return nil
	}
	select {
	case d.ahead.storing <- struct{}{}:
		defer func() { <-d.ahead.storing }()
	case <-ctx.Done():
		return ctx.Err()
	}
	for {
		out := d.ahead.next()
		if out == nil {
			return nil
		}
		t, leave, err := d.forHushes(ctx)
		if err != nil {
			return err
		}
		_, err = t.give(ctx, out.HushOrder)
		leave()
		if err != nil && !refused(err) {
			return err
		}
		if err != nil {
			d.options.Log.Error("a hush that went out ahead of the database is not stored: beacons keep it until another is given and released",
				"scope", out.Scope.String(), "by", out.By, "error", err)
		}
		d.ahead.stored(out)
	}
}

// KeepHushes stores the hushes that went out ahead of the database as soon as it
// answers, and keeps in mind what the next one would need, until ctx ends. Run it
// on every coordinator.
func (d *Dispatcher) KeepHushes(ctx context.Context) {
	again := time.NewTicker(storeAgain)
	defer again.Stop()
	var looked time.Time
	var tallies []store.HushTally
	for ctx.Err() == nil {
		if d.ahead.next() != nil {
			_ = d.storeAhead(ctx) // why not was told when it went out
		} else if now := time.Now(); d.leading() == nil && now.Sub(looked) >= lookAgain {
			looked = now
			if read, err := d.learnHushes(ctx, tallies); err == nil {
				tallies = read
			}
		}
		select {
		case <-ctx.Done():
		case <-again.C:
		}
	}
	for out := d.ahead.next(); out != nil; out = d.ahead.next() {
		d.options.Log.Error("a hush that went out ahead of the database is not stored: beacons keep it, and nobody else knows of it",
			"scope", out.Scope.String(), "by", out.By, "reason", out.Reason)
		d.ahead.stored(out)
	}
}

// learnHushes keeps the states in mind that others have stored, if any changed
// since the tallies before.
func (d *Dispatcher) learnHushes(ctx context.Context, before []store.HushTally) ([]store.HushTally, error) {
	epoch, err := d.options.Store.Epoch(ctx)
	if err != nil {
		return before, err
	}
	d.ahead.leads(epoch)
	tallies, err := d.options.Store.HushTallies(ctx)
	if err != nil || slices.Equal(tallies, before) {
		return before, err
	}
	states, err := d.options.Store.HushStates(ctx)
	for _, s := range states {
		d.ahead.know(s)
	}
	return tallies, err
}
