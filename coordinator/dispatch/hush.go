package dispatch

import (
	"context"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/store"
)

// maxReason is the length of the longest reason, in characters.
const maxReason = 500

// HushOrder is the order to stop transmitting now.
type HushOrder struct {
	Scope    fleet.Scope
	Reason   string    // required, at most 500 characters
	By       string    // who gives it
	RemindAt time.Time // zero: never

	Regulator bool // on a regulator's word: two people lift it

	at time.Time // when it was given, where that is long before it is stored; zero: now
}

// Given is a hush that is in force.
type Given struct {
	Hush    int64     // its number; 0: it is not stored yet
	At      time.Time // when it was stored, or went out ahead of that
	Beacons []string  // whom it concerns, sorted
}

// Give stores a hush and publishes it at once to all in its scope. It returns
// when it is stored; where the broker is away it goes out at the next connect.
// Where the database does not answer it goes out ahead of it, and KeepHushes
// stores it later.
func (d *Dispatcher) Give(ctx context.Context, order HushOrder) (Given, error) {
	if err := checkReason(order.Reason); err != nil {
		return Given{}, err
	}
	soon := d.answersWithin()
	storing, cancel := context.WithTimeout(ctx, soon+storesWithin)
	defer cancel()
	stored := make(chan storedHush, 1)
	go func() {
		given, err := d.store(storing, order)
		stored <- storedHush{given, err}
	}()
	late := time.NewTimer(soon)
	defer late.Stop()
	var out *aheadOrder
	var outcome storedHush
	select {
	case outcome = <-stored:
	case <-late.C:
		out = d.sendAhead(ctx, order)
		outcome = <-stored
	}
	return d.settle(ctx, order, out, outcome)
}

// store is Give with the database. What went out ahead of it is stored first.
func (d *Dispatcher) store(ctx context.Context, order HushOrder) (Given, error) {
	if err := d.storeAhead(ctx); err != nil {
		return Given{}, err
	}
	t, leave, err := d.forHushes(ctx)
	if err != nil {
		return Given{}, err
	}
	defer leave()
	return t.give(ctx, order)
}

func checkReason(reason string) error {
	switch n := len([]rune(reason)); {
	case strings.TrimSpace(reason) == "":
		return fault.New(fault.Invalid, "reason", "say why, so that others know whether it still holds")
	case n > maxReason:
		return fault.New(fault.Invalid, "reason", "%d characters, and a reason has at most %d", n, maxReason)
	}
	return nil
}

// give does not hold decide: a hush waits for nobody.
func (t *term) give(ctx context.Context, order HushOrder) (given Given, err error) {
	beacons := orders.InScope(t.currentFleet(), order.Scope)
	if len(beacons) == 0 {
		return Given{}, nobodyThere()
	}
	var states []sealedHush
	err = t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) error {
		inForce, bound, err := lockedHushes(ctx, tx)
		if err != nil {
			return err
		}
		hush := store.Hush{
			Site: order.Scope.Site, Beacon: order.Scope.Beacon, Band: order.Scope.Band,
			Reason: order.Reason, GivenBy: order.By, GivenAt: tx.Now, Regulator: order.Regulator,
		}
		if !order.at.IsZero() {
			hush.GivenAt = order.at
		}
		if !order.RemindAt.IsZero() {
			hush.RemindAt = &order.RemindAt
		}
		if hush.Hush, err = tx.AddHush(ctx, hush); err != nil {
			return err
		}
		inForce[hush.Hush] = hush
		given = Given{Hush: hush.Hush, At: tx.Now, Beacons: beacons}
		all := make([]underHushes, len(beacons))
		for i, beacon := range beacons {
			all[i] = underHushes{beacon, append(bound[beacon], hush.Hush), []int64{hush.Hush}}
		}
		states, err = t.saveHushStates(ctx, tx, all, inForce)
		return err
	})
	if err != nil {
		return Given{}, deposed(err)
	}
	t.showHushes(states)
	t.log.Warn("a hush is given", "hush", given.Hush, "scope", order.Scope.String(), "by", order.By, "beacons", len(beacons))
	return given, nil
}

func nobodyThere() error {
	return fault.New(fault.Refused, "scope", "no beacon lies in this scope, so nothing would be silent")
}

// Released says what a release did.
type Released struct {
	Count       int      // hushes that it ended
	Waiting     int      // hushes on a regulator's word that a second person must lift too
	StillHushed []string // beacons in the scope that another hush still silences, sorted
}

// Release ends the hushes given for exactly this scope.
func (d *Dispatcher) Release(ctx context.Context, scope fleet.Scope, reason, by string) (Released, error) {
	if err := checkReason(reason); err != nil {
		return Released{}, err
	}
	storing, cancel := context.WithTimeout(ctx, d.answersWithin())
	defer cancel()
	if err := d.storeAhead(storing); err != nil || d.ahead.any() {
		return Released{}, fault.New(fault.Unavailable, "", "nothing is released while an order to be silent is not stored yet: try again when the database answers")
	}
	t, leave, err := d.forHushes(ctx)
	if err != nil {
		return Released{}, err
	}
	defer leave()
	return t.release(ctx, scope, reason, by)
}

func (t *term) release(ctx context.Context, scope fleet.Scope, reason, by string) (released Released, err error) {
	var states []sealedHush
	err = t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) error {
		inForce, _, err := lockedHushes(ctx, tx)
		if err != nil {
			return err
		}
		stored := store.HushScope{Site: scope.Site, Beacon: scope.Beacon, Band: scope.Band}
		if err := tx.AgreeToLift(ctx, stored, reason, by); err != nil {
			return err
		}
		ended, err := tx.ReleaseHushes(ctx, stored, reason, by)
		if err != nil {
			return err
		}
		for _, hush := range ended {
			delete(inForce, hush)
		}
		waiting := 0
		for _, hush := range inForce {
			if hush.Scope() == stored { // all others of this scope have ended
				waiting++
			}
		}
		concerned, err := tx.BoundBeacons(ctx, ended)
		if err != nil {
			return err
		}
		left, err := tx.HushedBeacons(ctx)
		if err != nil {
			return err
		}
		released = Released{Count: len(ended), Waiting: waiting, StillHushed: []string{}}
		var all []underHushes
		for beacon := range concerned {
			all = append(all, underHushes{beacon: beacon, under: left[beacon]})
			if slices.ContainsFunc(left[beacon], func(hush int64) bool { return overlaps(inForce[hush].Band, scope.Band) }) {
				released.StillHushed = append(released.StillHushed, beacon)
			}
		}
		slices.Sort(released.StillHushed)
		states, err = t.saveHushStates(ctx, tx, all, inForce)
		return err
	})
	if err != nil {
		return Released{}, deposed(err)
	}
	t.showHushes(states)
	t.log.Warn("hushes are released", "count", released.Count, "scope", scope.String(), "by", by)
	return released, nil
}

// forHushes is a term to change hushes in: of this coordinator where it leads,
// otherwise of whoever does, or led last. Hushes are numbered in the database
// within that epoch, whoever changes them, and every coordinator of a network
// signs with the same key: so silence is had from any of them, at once, and while
// an election runs. Call leave afterwards.
func (d *Dispatcher) forHushes(ctx context.Context) (t *term, leave func(), err error) {
	if t := d.leading(); t != nil {
		return t, func() {}, nil
	}
	d.mu.Lock()
	f, version := d.fleet, d.version
	d.mu.Unlock()
	epoch, err := d.options.Store.Epoch(ctx)
	if err != nil {
		return nil, nil, err
	}
	if f == nil || epoch == 0 {
		return nil, nil, fault.New(fault.Unavailable, "", "no coordinator of this network leads yet: try again in a few seconds")
	}
	t = newTerm(context.WithoutCancel(ctx), d, f, version, epoch)
	return t, t.board.close, nil
}

// overlaps says whether two bands have something in common; "" is all.
func overlaps(a, b string) bool { return a == b || a == "" || b == "" }

// hushNewcomers puts beacons under the hushes in force whose scope they came
// into with a change of the fleet. Nothing takes them out but a release.
func (t *term) hushNewcomers(ctx context.Context) error {
	f := t.currentFleet()
	var states []sealedHush
	err := t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) error {
		inForce, bound, err := lockedHushes(ctx, tx)
		if err != nil {
			return err
		}
		var all []underHushes
		for beacon, hushes := range missing(f, inForce, bound) {
			all = append(all, underHushes{beacon, append(bound[beacon], hushes...), hushes})
		}
		states, err = t.saveHushStates(ctx, tx, all, inForce)
		return err
	})
	if err == nil {
		t.showHushes(states)
	}
	return err
}

// tellUnhushed tells those who were granted a lease, know of no hush and never
// were hushed, that nothing is. A keyer that can't read what was hushed is silent
// until it hears that from here. Whoever could not be told is when it asks again.
func (t *term) tellUnhushed(ctx context.Context, group []*petition) {
	var untold []string
	t.hushGuard.Lock()
	for _, p := range group {
		_, told := t.hushShown[p.request.Beacon]
		if !told && p.err == nil && p.decision.Refusal == "" && p.asked.GetHush().GetEpoch() == 0 {
			untold = append(untold, p.request.Beacon)
		}
	}
	t.hushGuard.Unlock()
	if len(untold) == 0 {
		return
	}
	var states []sealedHush
	err := t.asLeader(ctx, func(ctx context.Context, tx *store.LeaderTx) error {
		inForce, bound, err := lockedHushes(ctx, tx)
		if err != nil {
			return err
		}
		var all []underHushes
		for _, beacon := range untold {
			all = append(all, underHushes{beacon: beacon, under: bound[beacon]})
		}
		states, err = t.saveHushStates(ctx, tx, all, inForce)
		return err
	})
	if err != nil {
		t.log.Warn("beacons could not be told that nothing is hushed; they will be when they ask again", "beacons", len(untold), "error", err)
		return
	}
	t.showHushes(states)
}

// missing gives the hushes in force that beacons of the fleet are not bound to,
// though they lie in their scope.
func missing(f *fleet.Fleet, inForce map[int64]store.Hush, bound map[string][]int64) map[string][]int64 {
	lacking := map[string][]int64{}
	for number, hush := range inForce {
		scope := fleet.Scope{Site: hush.Site, Beacon: hush.Beacon, Band: hush.Band}
		for _, beacon := range orders.InScope(f, scope) {
			if !slices.Contains(bound[beacon], number) {
				lacking[beacon] = append(lacking[beacon], number)
			}
		}
	}
	return lacking
}

// lockedHushes gives the hushes in force, and which of them each beacon is bound
// to, and keeps others from changing them.
func lockedHushes(ctx context.Context, tx *store.LeaderTx) (inForce map[int64]store.Hush, bound map[string][]int64, err error) {
	list, err := tx.LockHushes(ctx)
	if err != nil {
		return nil, nil, err
	}
	inForce = map[int64]store.Hush{}
	for _, hush := range list {
		inForce[hush.Hush] = hush
	}
	bound, err = tx.HushedBeacons(ctx)
	return inForce, bound, err
}

func (t *term) currentFleet() *fleet.Fleet {
	t.fleetGuard.Lock()
	defer t.fleetGuard.Unlock()
	return t.fleet
}
