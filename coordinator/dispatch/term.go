package dispatch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lease"
	"lamplighter/coordinator/orders"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/store"
	"lamplighter/proto/onair/slot"
	"lamplighter/proto/seal"
	"lamplighter/proto/topic"
)

// Times of a term.
const (
	extendEvery = time.Hour        // how often orders are extended
	retryAfter  = time.Minute      // after planning failed
	settles     = 30 * time.Second // until those whose orders changed have confirmed them, or will not soon
	tick        = 5 * time.Second  // how often what the broker did not take is tried again
)

// term is one time that this coordinator leads.
type term struct {
	options Options
	metrics *figures
	log     *slog.Logger
	epoch   uint64
	board   *board
	desk    *desk
	makes   func(planner.Input, planner.Progress) (*plan.Plan, error)

	// decide is held by whoever asks the writer and acts on its answer: one at a
	// time, database included. It is never held while a plan is made.
	decide   sync.Mutex
	writer   *orders.Writer
	around   map[string]bool  // beacons whose taken slots the plan in force was made around
	withheld []lease.Withheld // what the latest orders lack

	fleetGuard sync.Mutex // of the two below; a hush must not wait for decide
	fleet      *fleet.Fleet
	version    int64

	hushGuard sync.Mutex // of the one below
	hushShown map[string]lease.Number
	ahead     *ahead            // of the dispatcher: it outlives the term
	tallies   []store.HushTally // of the states that were loaded last; the loop's own

	failing atomic.Pointer[error] // why the latest plan could not be made; nil: it could

	fleetChanged chan struct{} // a new plan is due
	released     chan struct{} // something that was withheld may be free
	unsettled    chan struct{} // another plan may be better: a beacon that was planned around confirmed, or one is stuck
}

func newTerm(ctx context.Context, d *Dispatcher, f *fleet.Fleet, version int64, epoch uint64) *term {
	log := d.options.Log.With("epoch", epoch)
	t := &term{
		options: d.options, metrics: d.metrics, log: log, epoch: epoch, makes: d.makes,
		board:  newBoard(ctx, d.options.Publisher, log),
		writer: orders.NewWriter(epoch, f), fleet: f, version: version, hushShown: map[string]lease.Number{}, ahead: &d.ahead,
		fleetChanged: make(chan struct{}, 1), released: make(chan struct{}, 1), unsettled: make(chan struct{}, 1),
	}
	t.desk = newDesk(t)
	return t
}

// signal says that something is due; it is said once until it is heard.
func signal(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// changeFleet says which fleet is in force.
func (t *term) changeFleet(f *fleet.Fleet, version int64) {
	t.decide.Lock()
	defer t.decide.Unlock()
	t.fleetGuard.Lock()
	t.fleet, t.version = f, version
	t.fleetGuard.Unlock()
	t.writer.SetFleet(f)
	signal(t.fleetChanged)
}

// load takes over what the leaders before have stored, and publishes it.
func (t *term) load(ctx context.Context) error {
	if t.fleet == nil {
		return errors.New("no fleet file is in force yet")
	}
	for _, step := range []func(context.Context) error{t.loadOrders, t.loadSlots, t.loadLeases, t.loadHushes, t.loadPlan} {
		if err := step(ctx); err != nil {
			return fmt.Errorf("what was stored before could not be taken over: %w", err)
		}
	}
	return nil
}

func (t *term) loadOrders(ctx context.Context) error {
	latest, err := t.options.Store.LatestOrders(ctx)
	sealed := t.sealOrders(latest)
	for i, o := range latest {
		t.writer.Book.LoadLatest(o.Beacon, number(o.Epoch, o.Revision))
		t.showSealed(topic.Orders, o.Beacon, number(o.Epoch, o.Revision), sealed[i])
	}
	return err
}

func (t *term) loadSlots(ctx context.Context) error {
	now, err := t.options.Store.Now(ctx)
	if err != nil {
		return err
	}
	standing, err := t.options.Store.StandingSlots(ctx, int64(t.fleet.Network.Slot.At(now.Add(-orders.Remember))))
	for _, s := range standing {
		var closed lease.Number
		if s.ClosedEpoch != nil {
			closed = number(*s.ClosedEpoch, *s.ClosedRevision)
		}
		t.writer.Book.Load(s.Beacon, lease.Use{
			Slot: slot.Number(s.Slot), Band: s.Band, FrequencyMillihertz: s.FrequencyMillihertz,
			UncertaintyMillihertz: s.UncertaintyMillihertz, Extended: s.MessageKind == string(plan.Extended),
		}, number(s.OpenedEpoch, s.OpenedRevision), closed)
	}
	return err
}

func (t *term) loadLeases(ctx context.Context) error {
	leases, err := t.options.Store.Leases(ctx)
	for _, l := range leases {
		t.writer.Book.Hold(l.Beacon, number(l.HeldEpoch, l.HeldRevision))
		if end := l.End(); !end.IsZero() {
			t.writer.Book.Extend(l.Beacon, end)
		}
		if l.FormerUntil != nil {
			t.writer.Book.Follow(l.Beacon, lease.Former{Held: number(l.FormerHeldEpoch, l.FormerHeldRevision), Until: *l.FormerUntil})
		}
	}
	return err
}

// loadHushes puts up what is stored, if anything was since it did so last.
func (t *term) loadHushes(ctx context.Context) error {
	tallies, err := t.options.Store.HushTallies(ctx)
	if err != nil || slices.Equal(tallies, t.tallies) {
		return err
	}
	states, err := t.options.Store.HushStates(ctx)
	if err != nil {
		return err
	}
	t.showHushes(t.sealHushes(t.unshown(states)))
	t.tallies = tallies
	return nil
}

func (t *term) loadPlan(ctx context.Context) (err error) {
	t.writer.Plan, err = t.options.Plans.CurrentPlan(ctx)
	return err
}

func number(epoch, revision int64) lease.Number {
	return lease.Number{Epoch: uint64(epoch), Revision: uint64(revision)}
}

func (t *term) seal(purpose seal.Purpose, beacon string, payload []byte) []byte {
	return t.options.Signer.Seal(purpose, t.currentFleet().Network.ID, beacon, payload)
}

// showSealed puts up what a beacon is to do.
func (t *term) showSealed(kind topic.Kind, beacon string, n lease.Number, sealed []byte) {
	address := topic.Address{Network: t.currentFleet().Network.ID, Beacon: beacon}
	t.board.put(address.Topic(kind), n, sealed)
}

// asLeader runs do in a transaction of this leader.
func (t *term) asLeader(ctx context.Context, do func(ctx context.Context, tx *store.LeaderTx) error) error {
	return t.options.Store.AsLeader(ctx, t.epoch, do)
}

// run leads until ctx ends or the lead is lost.
func (t *term) run(ctx context.Context) error {
	if err := t.hushNewcomers(ctx); err != nil {
		return err
	}
	return newLoop(t).run(ctx)
}
