// Package app is the agent as a value: New, Start, Stop. It is the only wiring
// of the agent's parts, used by the program at a beacon, where the keyer is a
// process of its own, and by the demo, where many agents share a process and
// each keyer is at the other end of an in-memory pipe. There are no globals.
//
// One goroutine owns the core: it takes in what the link, the keyer, the clock
// source and the disk report, carries out what the core decides, and sends the
// keyer a heartbeat every 50 ms. The heartbeat comes from that same loop, so
// that an agent whose loop hangs falls silent. Nothing in the loop waits: the
// disk has a goroutine of its own, because a slow card must not silence a
// transmission, and so has the keeping of the keyer, which is started again
// whenever it is gone.
//
// An agent whose outbox can't be opened runs all the same: mute, since nothing can
// be written down, but it says so. Repaired is closed when the outbox can be
// opened; the agent is then to be replaced by a new one, which reads it.
//
// On Stop the keyer keys up first; then what was cut short is written down, and
// only then the parts are closed. What can't be written within two seconds the
// next run closes.
package app

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"lamplighter/agent/clock"
	"lamplighter/agent/core"
	"lamplighter/agent/enrol"
	"lamplighter/agent/link"
	"lamplighter/agent/local"
	"lamplighter/agent/machine"
	"lamplighter/agent/sensor"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/service"
	"lamplighter/proto/setup"
	"lamplighter/proto/topic"
)

// Keyer is the agent's end of a keyer. A client of package process is one.
type Keyer interface {
	// Send passes a message on and does not wait; an error means that the
	// keyer is gone or does not read.
	Send(*keyerv1.ToKeyer) error
	// Messages is what the keyer says; it is closed when the keyer is gone.
	Messages() <-chan *keyerv1.FromKeyer
	// Close ends the keyer and returns when it is gone.
	Close() error
}

// Options is what an agent is made of.
type Options struct {
	File       *setup.File
	StartKeyer func(context.Context) (Keyer, error)
	Clock      clock.Source        // nil: the one that File names
	Now        func() core.Instant // nil: the machine's clocks
	Random     io.Reader           // nil: the machine's secure source
	Log        *slog.Logger        // nil: nothing is logged
	Version    string
	Service    *service.Notifier // nil: there is no service manager
}

// App is one agent.
type App struct {
	options Options
	config  core.Config

	core     *core.Core
	link     *link.Link
	disk     *disk
	keeper   *keeper
	keyer    Keyer               // nil: there is none now
	readings <-chan core.Reading // nil: the source has ended
	asked    chan chan<- *wirev1.Health
	licensed chan []byte   // envelopes that are newer
	looked   time.Duration // when the service manager was last told how the agent does, boot time
	stop     chan struct{}
	once     sync.Once
	done     chan struct{}
}

// New checks the options. Nothing is opened or started.
func New(options Options) (*App, error) {
	if options.Now == nil {
		options.Now = clocks
	}
	if options.Random == nil {
		options.Random = rand.Reader
	}
	if options.Log == nil {
		options.Log = slog.New(slog.DiscardHandler)
	}
	options.Log = options.Log.With("beacon", options.File.Beacon)
	if options.Clock == nil {
		options.Clock = clock.FromSetup(options.File, Earliest, options.Log)
	}
	if options.Clock == nil {
		return nil, fmt.Errorf("clock.source: %q is not known; this program has: %s", options.File.Clock.Source, clock.Names)
	}
	if err := checkIdentity(options.File); err != nil {
		return nil, err
	}
	config, err := configure(options)
	if err != nil {
		return nil, err
	}
	return &App{options: options, config: config, asked: make(chan chan<- *wirev1.Health), licensed: make(chan []byte), stop: make(chan struct{}), done: make(chan struct{})}, nil
}

func configure(o Options) (core.Config, error) {
	keys, err := o.File.Keyring()
	if err != nil {
		return core.Config{}, err
	}
	envelope, _, err := enrol.Envelope(o.File)
	if err != nil {
		return core.Config{}, err
	}
	run := make([]byte, 16)
	if _, err := io.ReadFull(o.Random, run); err != nil {
		return core.Config{}, fmt.Errorf("no random bytes for the id of this run: %w", err)
	}
	bootID, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil { // the keyer, to which it matters, reads it for itself
		o.Log.Warn("the kernel's boot id can't be read", "reason", err)
	}
	return core.Config{
		Address: topic.Address{Network: o.File.Network, Beacon: o.File.Beacon},
		Keys:    keys, Envelope: envelope, HealthEvery: o.File.Health(),
		Version: o.Version, BuildDate: Earliest, Run: hex.EncodeToString(run),
		KernelBootID: strings.TrimSpace(string(bootID)),
	}, nil
}

// Start opens the outbox and starts everything. It does not wait for broker or
// keyer.
func (a *App) Start() error {
	disk, restored, err := openDisk(a.options.File.Folder, a.config.Run)
	if err != nil {
		return err
	}
	if disk.trouble != nil {
		a.options.Log.Error("the outbox can't be opened, so nothing is transmitted", "reason", disk.trouble)
	}
	now := a.options.Now()
	c, actions, err := core.New(a.config, restored, now)
	if err != nil {
		return fmt.Errorf("%w (%w)", err, disk.close())
	}
	a.core = c
	a.disk = disk
	a.disk.start()
	a.link = link.Start(link.Options{
		Broker: a.options.File.Broker, TLS: a.identify(), Address: a.config.Address,
		Run: a.config.Run, Version: a.config.Version, Reader: core.Reader, Log: a.options.Log,
	})
	a.keeper = startKeeper(a.options.StartKeyer, a.options.Log)
	go a.run(actions)
	return nil
}

// Stop ends the agent and returns when nothing of it is left. It may be called
// more than once, after a Start that succeeded.
func (a *App) Stop() {
	a.once.Do(func() { close(a.stop) })
	<-a.done
}

// Repaired is closed when an outbox that could not be opened at the start can be
// opened.
func (a *App) Repaired() <-chan struct{} { return a.disk.repaired }

// beat is the time between heartbeats to the keyer.
const beat = 50 * time.Millisecond

// run is the loop that owns the core.
func (a *App) run(actions []core.Action) {
	defer close(a.done)
	ctx, cancel := context.WithCancel(context.Background())
	a.readings = a.options.Clock.Readings(ctx)
	var local sync.WaitGroup
	local.Go(func() { a.answer(ctx) })
	measured := sensor.Watch(ctx, a.options.File.Sensors)
	timer := machine.NewTimer()
	defer timer.Stop()
	timer.Set(beat)

	a.carryOut(actions)
	a.options.Service.Ready()
	stop := a.stop
	for !a.core.Done() {
		select {
		case <-timer.Fires():
			timer.Set(beat)
			a.beat()
		case e := <-a.link.Events():
			a.step(e)
		case m, ok := <-a.messages():
			a.hear(m, ok)
		case k := <-a.keeper.started:
			a.keyer = k
			a.beat()
		case r, ok := <-a.readings:
			if !ok {
				a.readings = nil
				continue
			}
			a.step(core.ClockRead{Reading: r})
		case s, ok := <-measured:
			if !ok {
				measured = nil
				continue
			}
			a.step(core.Sensed{Sensors: s})
		case reply := <-a.asked:
			reply <- a.core.Health()
		case sealed := <-a.licensed:
			a.step(core.Licensed{Envelope: sealed})
		case e := <-a.disk.results:
			a.step(e)
		case <-stop:
			stop = nil
			a.step(core.Stop{})
		}
	}
	a.keeper.stop()
	a.link.Close()
	cancel()
	local.Wait()
	if a.readings != nil {
		for range a.readings { // until the source has ended
		}
	}
	if measured != nil {
		for range measured { // likewise
		}
	}
	if err := a.disk.stop(); err != nil {
		a.options.Log.Error("the outbox could not be closed", "reason", err)
	}
}

// answer lets programs on this machine ask how the agent is, until ctx ends.
func (a *App) answer(ctx context.Context) {
	err := local.Serve(ctx, a.options.File, func(ctx context.Context) *wirev1.Health {
		reply := make(chan *wirev1.Health, 1)
		select {
		case a.asked <- reply:
			return <-reply
		case <-ctx.Done():
			return nil
		}
	})
	if ctx.Err() == nil {
		a.options.Log.Warn("local questions are not answered", "reason", err)
	}
}

// step has the core take in an event, with what clock and keyer have said
// meanwhile: when the machine stood still for a while, neither is missed because
// the other is heard first.
func (a *App) step(e core.Event) {
	a.carryOut(a.core.Step(a.options.Now(), append([]core.Event{e}, a.waiting()...)...))
}

func (a *App) waiting() (said []core.Event) {
	for {
		select {
		case m, ok := <-a.messages():
			if !ok {
				return said // the loop sees it next
			}
			said = append(said, core.KeyerSaid{Message: m})
		case r, ok := <-a.readings:
			if !ok {
				return said // as above
			}
			said = append(said, core.ClockRead{Reading: r})
		default:
			return said
		}
	}
}

// beat tells the keyer the time, and the core when its own has come.
func (a *App) beat() {
	now := a.options.Now()
	a.send(a.core.Heartbeat(now))
	if now.Boot >= a.core.Next() {
		a.step(core.Tick{})
	}
	a.options.Service.Alive(time.Now())
	if a.options.Service != nil && now.Boot-a.looked >= time.Second {
		a.looked = now.Boot
		a.options.Service.Status(a.core.Status())
	}
}

// messages is what the present keyer says; without one it blocks for ever.
func (a *App) messages() <-chan *keyerv1.FromKeyer {
	if a.keyer == nil {
		return nil
	}
	return a.keyer.Messages()
}

func (a *App) hear(m *keyerv1.FromKeyer, ok bool) {
	if !ok {
		a.loseKeyer()
		return
	}
	a.step(core.KeyerSaid{Message: m})
}

func (a *App) send(m *keyerv1.ToKeyer) {
	if a.keyer == nil {
		return
	}
	if err := a.keyer.Send(m); err != nil {
		a.options.Log.Error("the keyer does not take messages", "reason", err)
		a.loseKeyer()
	}
}

// loseKeyer lets the keeper end what is left of the keyer and start another.
func (a *App) loseKeyer() {
	a.keyer = nil
	a.keeper.lost <- struct{}{}
	a.step(core.KeyerLost{})
}

// carryOut does what the core decided, in its order.
func (a *App) carryOut(actions []core.Action) {
	for _, action := range actions {
		switch action := action.(type) {
		case core.Publish:
			if !a.link.Publish(action) {
				a.options.Log.Warn("a message was dropped: the link is too slow", "kind", action.Kind)
			}
		case core.ToKeyer:
			a.send(action.Message)
		case core.Log:
			a.log(action)
		default:
			a.disk.requests <- action
		}
	}
}

func (a *App) log(l core.Log) {
	level := slog.LevelInfo
	if l.Warning {
		level = slog.LevelWarn
	}
	a.options.Log.Log(context.Background(), level, l.Sentence)
}
