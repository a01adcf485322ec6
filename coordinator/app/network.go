package app

import (
	"context"
	"crypto/rand"
	"errors"
	"sync/atomic"
	"time"

	"lamplighter/coordinator/broker"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/intake"
	"lamplighter/coordinator/store"
	"lamplighter/proto/onair/slot"
)

// lookEvery is how often this coordinator looks whether another one has put a
// fleet file in force.
const lookEvery = time.Second

// network is the part that needs to know which network this is.
type network struct {
	broker  broker.Broker
	fleet   atomic.Pointer[fleet.Fleet] // in force
	version int64
}

// latePublisher publishes once there is a broker.
type latePublisher struct{ broker atomic.Pointer[broker.Broker] }

func (p *latePublisher) Publish(ctx context.Context, m broker.Message) error {
	if b := p.broker.Load(); b != nil {
		return (*b).Publish(ctx, m)
	}
	return errors.New("there is no broker before a fleet file is in force")
}

// startNetwork starts the network if a fleet file says which it is.
func (a *App) startNetwork(ctx context.Context) error {
	current, version, err := a.fleets.Current(ctx)
	if err != nil {
		return err
	}
	a.started.Lock()
	defer a.started.Unlock()
	if current == nil {
		return a.refuseAgents()
	}
	if a.network != nil {
		a.changeFleet(current, version)
		return nil
	}
	a.registrar.SetNetwork(current.Network.ID)
	through, err := a.newBroker(current.Network.ID)
	if err != nil {
		return err
	}
	started := &network{broker: through, version: version.Version}
	started.fleet.Store(current)
	a.dispatcher.SetFleet(current, version.Version)
	through.OnConnect(a.dispatcher.Republish)
	err = through.Start(ctx)
	a.mqtt = nil // it is the broker's
	if err != nil {
		return err
	}
	a.publisher.broker.Store(&through)
	a.network = started
	taken := started.newIntake(a, current.Network.ID)
	a.running.Go(func() { taken.Run(a.lifetime) })
	a.running.Go(func() { a.dispatcher.KeepHushes(a.lifetime) })
	routes := router{kept: a.dispatcher.HandleKept, leases: a.dispatcher.HandleLeaseRequest, heard: a.takeFromReceiver, others: taken.Handle}
	a.goRun("the routing of what agents say", func() error { return routes.run(a.lifetime, through.Deliveries()) })
	a.goRun("the election", func() error { return a.leader.Run(a.lifetime, a.lead) })
	return nil
}

// refuseAgents ends listening to agents, who would wait for nothing while no fleet
// file is in force. The broker listens anew then.
func (a *App) refuseAgents() (err error) {
	if a.mqtt != nil && a.network == nil {
		err, a.mqtt = a.mqtt.Close(), nil
	}
	return err
}

// changeFleet tells dispatch of a new version.
func (a *App) changeFleet(current *fleet.Fleet, version store.FleetVersion) {
	if a.network.version == version.Version {
		return
	}
	a.network.version = version.Version
	a.network.fleet.Store(current)
	a.dispatcher.SetFleet(current, version.Version)
	a.options.Log.Info("another fleet file is in force", "version", version.Version, "by", version.AppliedBy)
}

func (a *App) newBroker(id string) (broker.Broker, error) {
	if a.options.Broker != "" {
		return broker.NewExternal(broker.ExternalOptions{
			Network: id, URL: a.options.Broker, TLS: a.registrar.BrokerTLS, ClientID: "coordinator-" + rand.Text(), Log: a.options.Log, Metrics: a.registry,
		})
	}
	options := broker.EmbeddedOptions{Network: id, Listen: a.options.MQTT, Listening: a.mqtt, Log: a.options.Log, Metrics: a.registry}
	if a.options.Secure.On {
		options.Devices = a.registrar
	}
	return broker.NewEmbedded(options)
}

// lookAtFleet makes watchFleet look now.
func (a *App) lookAtFleet() {
	select {
	case a.applied <- struct{}{}:
	default: // it is about to look
	}
}

// watchFleet follows the fleet file in force.
func (a *App) watchFleet(context.Context) error {
	a.running.Go(func() {
		again := time.NewTicker(lookEvery)
		defer again.Stop()
		for {
			select {
			case <-a.lifetime.Done():
				return
			case <-again.C:
			case <-a.applied:
			}
			if err := a.startNetwork(a.lifetime); err != nil && a.lifetime.Err() == nil {
				a.options.Log.Warn("the fleet file in force can't be followed", "error", err)
			}
		}
	})
	return nil
}

// newIntake makes what stores the reports of the network's beacons.
func (n *network) newIntake(a *App, id string) *intake.Intake {
	return intake.New(intake.Options{
		Store: sited{a.store, n}, Publisher: n.broker, Signer: a.signer, Network: id,
		Known:      func(beacon string) bool { return n.fleet.Load().Beacon(beacon) != nil },
		SlotLength: func() slot.Length { return n.fleet.Load().Network.Slot },
		Logger:     a.options.Log, Metrics: a.registry,
	})
}
