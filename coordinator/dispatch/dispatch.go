package dispatch

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
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
}

// Dispatcher gives out orders, leases and hushes while this coordinator leads.
type Dispatcher struct {
	options Options
}

// New makes a Dispatcher. It does nothing before Run.
func New(options Options) *Dispatcher { return &Dispatcher{options: options} }

var errNotBuilt = errors.New("not built yet")

// Run leads with the given epoch until ctx ends or the lead is lost. Pass it to
// lead.Leader.Run.
func (d *Dispatcher) Run(ctx context.Context, epoch uint64) error { return errNotBuilt }

// SetFleet says which fleet is in force. Call it before Run, whether this
// coordinator leads or not, and at each change: a new plan follows.
func (d *Dispatcher) SetFleet(f *fleet.Fleet, version int64) {}

// Republish publishes all that agents are to do again. Call it whenever the
// broker may have forgotten: it is made for broker.Broker.OnConnect.
func (d *Dispatcher) Republish() {}

// HandleLeaseRequest answers a message of the kind topic.LeaseRequest and calls
// its Done. Where this coordinator does not lead, it leaves the answer to the
// one that does.
func (d *Dispatcher) HandleLeaseRequest(ctx context.Context, delivery broker.Delivery) {}

// HushOrder is the order to stop transmitting now.
type HushOrder struct {
	Scope    fleet.Scope
	Reason   string    // required, at most 500 characters
	By       string    // who gives it
	RemindAt time.Time // zero: never
}

// Given is a hush that is in force.
type Given struct {
	Hush    int64     // its number
	At      time.Time // when it was stored
	Beacons []string  // whom it concerns, sorted
}

// Give stores a hush and publishes it at once to all in its scope. It returns
// when it is stored; where the broker is away it goes out at the next connect.
func (d *Dispatcher) Give(ctx context.Context, order HushOrder) (Given, error) {
	return Given{}, errNotBuilt
}

// Confirmation says how one beacon stands to a hush.
type Confirmation struct {
	Beacon, Site string
	Confirmed    bool      // its keyer says that it is silent under this hush, or a later one
	At           time.Time // when that arrived; zero: not confirmed
	SilentBy     time.Time // the end of the latest lease granted to it; zero: none
}

// Confirmations says how each beacon that a hush concerns stands to it now, by
// name. Ask again until all have confirmed.
func (d *Dispatcher) Confirmations(ctx context.Context, hush int64) ([]Confirmation, error) {
	return nil, errNotBuilt
}

// Released says what a release did.
type Released struct {
	Count       int      // hushes that it ended
	StillHushed []string // beacons in the scope that another hush still silences, sorted
}

// Release ends the hushes given for exactly this scope.
func (d *Dispatcher) Release(ctx context.Context, scope fleet.Scope, reason, by string) (Released, error) {
	return Released{}, errNotBuilt
}

// LatestLeaseEnd is the end of the latest lease granted to a beacon, by the
// database's clock; zero: it never had one.
func (d *Dispatcher) LatestLeaseEnd(ctx context.Context, beacon string) (time.Time, error) {
	return time.Time{}, errNotBuilt
}

// BuildEnvelope seals what a beacon's licence and equipment allow, as its agent
// is given it in its configuration. made is when, and version that of the fleet
// file.
func BuildEnvelope(signer *seal.Signer, f *fleet.Fleet, beacon string, version int64, made time.Time) ([]byte, error) {
	return nil, errNotBuilt
}
