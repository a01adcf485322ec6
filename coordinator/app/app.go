package app

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"lamplighter/coordinator/api"
	"lamplighter/coordinator/console"
	"lamplighter/coordinator/database"
	"lamplighter/coordinator/deliver"
	"lamplighter/coordinator/devices/registrar"
	"lamplighter/coordinator/dispatch"
	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/lead"
	"lamplighter/coordinator/metrics"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/people/trail"
	"lamplighter/coordinator/signing"
	"lamplighter/coordinator/store"
	"lamplighter/coordinator/vault"
	"lamplighter/proto/seal"
)

// App is a coordinator.
type App struct {
	options  Options
	registry *prometheus.Registry

	grpc, http net.Listener
	mqtt       net.Listener     // until the broker has it, or there is none; nil: it is elsewhere
	database   *database.Server // nil: somebody else's
	store      *store.Store
	fleets     *store.Fleets
	vault      *vault.Vault
	signer     *seal.Signer
	registrar  *registrar.Registrar
	filed      *filed       // nil: the certificate is of the registrar
	devices    net.Listener // nil: devices are not let in here
	publisher  *latePublisher
	dispatcher *dispatch.Dispatcher
	leader     *lead.Leader
	accounts   *accounts.Accounts
	api        *api.Server
	delivery   *deliver.Queue
	heart      *deliver.Heart
	pages      *pages
	enrolling  *http.Server
	console    *console.Console
	network    *network // nil: no fleet file is in force yet
	applied    chan struct{}

	started  sync.Mutex // guards network while it is being started
	running  sync.WaitGroup
	lifetime context.Context // of what runs until Stop //nolint:containedctx // Start's context ends with Start
	end      context.CancelFunc
	failed   chan error
	stopOnce sync.Once
}

// New makes a coordinator that does nothing before Start.
func New(options Options) (*App, error) {
	if err := options.check(); err != nil {
		return nil, err
	}
	lifetime, end := context.WithCancel(context.Background())
	return &App{
		options: options, lifetime: lifetime, end: end, registry: prometheus.NewRegistry(), publisher: &latePublisher{},
		applied: make(chan struct{}, 1), failed: make(chan error, 1),
	}, nil
}

// Start brings everything up and returns when it works, or stops what it has
// begun and says what is wrong.
func (a *App) Start(ctx context.Context) error {
	for _, step := range []func(context.Context) error{
		a.listen, a.openDatabase, a.openStore, a.keepPartitions, a.keepMemory, a.openAccounts, a.openRegistrar, a.openDelivery, a.prepare, a.keepWeekly, a.applyFleet, a.serve, a.startNetwork, a.serveDevices, a.watchFleet, a.askForDuty, a.keepLifeline,
	} {
		if err := step(ctx); err != nil {
			a.Stop()
			return err
		}
	}
	a.options.Log.Info("the coordinator is up", "grpc", a.Addr().GRPC, "http", a.Addr().HTTP, "mqtt", a.Addr().MQTT)
	return nil
}

// Failed tells of what ended by itself while the coordinator was up.
func (a *App) Failed() <-chan error { return a.failed }

// Stop ends all that Start began, within a few seconds.
func (a *App) Stop() { a.stopOnce.Do(a.stopAll) }

func (a *App) stopAll() {
	if a.api != nil {
		a.api.Stop()
	}
	if a.console != nil {
		a.console.Stop()
	}
	if a.pages != nil {
		a.pages.stop()
	}
	if a.enrolling != nil {
		_ = a.enrolling.Close()
	}
	a.end()
	a.running.Wait()
	a.started.Lock()
	defer a.started.Unlock()
	if a.network != nil {
		a.network.broker.Stop()
	}
	for _, listener := range []net.Listener{a.grpc, a.http, a.mqtt, a.devices} {
		if listener != nil {
			_ = listener.Close() // closed already where a server had it
		}
	}
	if a.store != nil {
		a.store.Close()
	}
	if a.database != nil {
		if err := a.database.Stop(); err != nil {
			a.options.Log.Error("the private database did not stop well", "error", err)
		}
	}
}

// Addresses are where a coordinator listens.
type Addresses struct {
	GRPC, HTTP string
	MQTT       string // where agents connect; empty: no fleet file is in force yet
	Devices    string // where devices ask to be let in; empty: nowhere
}

// Addr says where it listens. Call it after Start.
func (a *App) Addr() Addresses {
	addresses := Addresses{GRPC: a.grpc.Addr().String(), HTTP: a.http.Addr().String(), Devices: a.deviceAddress()}
	a.started.Lock()
	defer a.started.Unlock()
	if a.network != nil {
		addresses.MQTT = a.network.broker.Addr()
	}
	return addresses
}

// listen listens before anything else works: agents that come back meanwhile wait
// for an answer, where they would be refused and try again ever more seldom.
func (a *App) listen(context.Context) (err error) {
	for _, l := range []struct {
		flag, address string
		wanted        bool
		listener      *net.Listener
	}{
		{"--grpc", a.options.GRPC, true, &a.grpc},
		{"--http", a.options.HTTP, true, &a.http},
		{"--mqtt", a.options.MQTT, a.options.Broker == "", &a.mqtt},
		{"--devices", a.options.Secure.Devices, a.options.Secure.On, &a.devices},
	} {
		if !l.wanted {
			continue
		}
		if *l.listener, err = listen(l.flag, l.address); err != nil {
			return err
		}
	}
	return nil
}

// openDatabase makes the folder, and runs a private database where no other
// one is named. Whoever runs that database must be able to enter the folder.
func (a *App) openDatabase(ctx context.Context) (err error) {
	if err := os.MkdirAll(a.options.Dir, 0o711); err != nil { //nolint:gosec // entered by the database's own user
		return fault.New(fault.Refused, "--dir", "%w", err)
	}
	if a.options.Database != "" {
		return nil
	}
	a.database, err = database.Start(ctx, database.Options{
		Dir: filepath.Join(a.options.Dir, "database"), Logger: a.options.Log,
	})
	return err
}

func (a *App) openStore(ctx context.Context) (err error) {
	url := a.options.Database
	if a.database != nil {
		url = a.database.URL()
	}
	if a.store, err = store.Open(ctx, url, store.Options{}); err != nil {
		return err
	}
	a.fleets = store.NewFleets(a.store)
	if a.vault, err = vault.Load(a.options.Dir); err != nil {
		return err
	}
	a.signer, err = signing.Load(ctx, a.store, a.vault, a.options.Dir)
	return err
}

// prepare makes all that works whether or not a network is known.
func (a *App) prepare(context.Context) (err error) {
	log := a.options.Log
	a.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	a.dispatcher = dispatch.New(dispatch.Options{
		Store: a.store, Plans: a.store, Publisher: a.publisher, Signer: a.signer, Log: log, Metrics: a.registry,
		Cloned: a.registrar.Cloned,
	})
	a.leader = lead.New(a.store, holder(), log)
	a.registry.MustRegister(metrics.NewBeacons(a.lifetime, a.store, a.fleets, a.leads, log))
	a.registry.MustRegister(metrics.NewAlerts(a.lifetime, a.store, a.leads, log))
	a.pages = newPages(a.registry, a.ready)
	a.api, err = api.New(api.Options{
		Store: a.store, Fleets: a.fleets, Hushes: a.dispatcher, Configs: a, Applied: a.lookAtFleet, Log: log, Metrics: a.registry,
		Accounts: a.accounts, Trials: a.delivery, Devices: a.registrar, DeviceAddress: a.deviceAddress, Signer: a.signer, Open: a.options.Open, OpenID: a.options.OpenID.Name(),
	})
	if err != nil {
		return err
	}
	a.mountConsole()
	a.mountReceptions()
	return nil
}

// leads says whether this coordinator leads.
func (a *App) leads() bool { return a.leader.Epoch() != 0 }

// holder names this coordinator among others.
func holder() string {
	host, err := os.Hostname()
	if err != nil {
		host = "unnamed"
	}
	return fmt.Sprintf("%s %s", host, rand.Text())
}

// applyFleet puts the fleet file of the options in force.
func (a *App) applyFleet(ctx context.Context) error {
	const by = "start of the coordinator"
	file := a.options.Fleet
	if file == nil {
		return nil
	}
	read, err := fleet.Read(file.Name, []byte(file.YAML))
	if err != nil {
		return fault.New(fault.Invalid, "--fleet", "%w", err)
	}
	before, err := a.store.CurrentFleet(ctx)
	if err != nil {
		return err
	}
	applied, err := a.store.ApplyFleet(ctx, store.FleetVersion{
		Network: read.Network.ID, SlotSeconds: int64(read.Network.Slot), File: file.Name, YAML: file.YAML, AppliedBy: by,
	}, store.Whatever)
	if err != nil || applied.Version == before.Version {
		return err
	}
	details, err := json.Marshal(map[string]any{"version": applied.Version, "before": before.Version, "file": file.Name})
	if err != nil {
		return err
	}
	_, err = a.store.AddToTrail(ctx, trail.Entry{
		Person: by, Via: "start", Action: "FleetService/ApplyFleet", Outcome: trail.Done, Details: string(details),
	})
	return err
}

func (a *App) serve(context.Context) error {
	a.goRun("the gRPC server", func() error { return a.api.Serve(a.secured(a.grpc)) })
	a.goRun("the web server", func() error { return a.pages.serve(a.secured(a.http)) })
	return nil
}

// goRun runs a part that is to last until Stop.
func (a *App) goRun(what string, part func() error) {
	a.running.Go(func() {
		err := part()
		if err == nil || a.lifetime.Err() != nil {
			return
		}
		a.options.Log.Error(what+" ended", "error", err)
		select {
		case a.failed <- fmt.Errorf("%s ended: %w", what, err):
		default: // the first failure is on its way
		}
	})
}

// ready says why this coordinator is not of use now, nil if it is.
func (a *App) ready(ctx context.Context) error {
	if err := a.store.Ping(ctx); err != nil {
		return errors.New("the database does not answer")
	}
	a.started.Lock()
	defer a.started.Unlock()
	switch {
	case a.network == nil:
		return errors.New("no fleet file is in force yet")
	case !a.network.broker.Connected():
		return errors.New("the broker is not connected")
	}
	return nil
}
