package dispatch

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/planner"
	"lamplighter/coordinator/store"
	"lamplighter/proto/seal"
)

// Plans keeps the plan in force.
type Plans interface {
	// SavePlan stores a plan that was made of a version of the fleet file, if
	// epoch is still that of the leader; otherwise it returns store.ErrDeposed.
	SavePlan(ctx context.Context, epoch uint64, fleetVersion int64, p *plan.Plan) error
	// CurrentPlan is the latest plan, nil where there is none.
	CurrentPlan(ctx context.Context) (*plan.Plan, error)
}

// Options are what a Dispatcher works with; all are required.
type Options struct {
	Store     *store.Store
	Plans     Plans
	Publisher broker.Publisher
	Signer    *seal.Signer
	Log       *slog.Logger
	Metrics   prometheus.Registerer

	// Cloned is told of a beacon as which a second device speaks; nil: nobody is.
	Cloned func(ctx context.Context, beacon, sentence string)
}

// Dispatcher gives out orders, leases and hushes while this coordinator leads.
type Dispatcher struct {
	options Options
	metrics *figures
	makes   func(planner.Input, planner.Progress) (*plan.Plan, error) // planner.Make

	mu      sync.Mutex
	fleet   *fleet.Fleet // nil before SetFleet
	version int64
	term    *term // nil while this coordinator does not lead

	ahead       ahead
	answersSoon time.Duration
}

// New makes a Dispatcher. It does nothing before Run.
func New(options Options) *Dispatcher {
	return &Dispatcher{options: options, metrics: newFigures(options.Metrics), makes: planner.Make, ahead: ahead{storing: make(chan struct{}, 1)}, answersSoon: answersSoon}
}

// Run leads with the given epoch until ctx ends or the lead is lost. Pass it to
// lead.Leader.Run.
func (d *Dispatcher) Run(ctx context.Context, epoch uint64) error {
	ctx, stop := context.WithCancel(ctx)
	d.mu.Lock()
	t := newTerm(ctx, d, d.fleet, d.version, epoch)
	d.mu.Unlock()
	defer func() {
		stop()
		t.board.close()
	}()
	d.ahead.leads(epoch)
	if err := d.storeAhead(ctx); err != nil { // before what was stored is shown again: it lacks them
		return err
	}
	if err := t.load(ctx); err != nil {
		return err
	}
	d.mu.Lock()
	d.term = t
	if d.version != t.version { // while it was loading
		t.changeFleet(d.fleet, d.version)
	}
	d.mu.Unlock()
	defer func() {
		d.mu.Lock()
		d.term = nil
		d.mu.Unlock()
	}()
	return t.run(ctx)
}

// SetFleet says which fleet is in force. Call it before Run, whether this
// coordinator leads or not, and at each change: a new plan follows.
func (d *Dispatcher) SetFleet(f *fleet.Fleet, version int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fleet, d.version = f, version
	if d.term != nil {
		d.term.changeFleet(f, version)
	}
}

// Republish publishes all that agents are to do again. Call it whenever the
// broker may have forgotten: it is made for broker.Broker.OnConnect.
func (d *Dispatcher) Republish() {
	if t := d.leading(); t != nil {
		t.board.again()
	}
	if err := d.showAhead(context.Background()); err != nil {
		d.options.Log.Error("a hush that is not stored yet could not be published again", "error", err)
	}
}

// leading is the present term, nil while this coordinator does not lead.
func (d *Dispatcher) leading() *term {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.term
}

// PlanFails says in a sentence why no plan can be made; empty: nothing is in the
// way, or this coordinator does not lead.
func (d *Dispatcher) PlanFails() string {
	if t := d.leading(); t != nil {
		if why := t.failing.Load(); why != nil {
			return (*why).Error()
		}
	}
	return ""
}

// LatestLeaseEnd is the end of the latest lease granted to a beacon, by the
// database's clock; zero: it never had one.
func (d *Dispatcher) LatestLeaseEnd(ctx context.Context, beacon string) (time.Time, error) {
	return d.options.Store.LeaseEnd(ctx, beacon)
}
