// Package process is the shell of the keyer: clocks, state file, transmitter,
// and the pipe to the agent; on the agent's side of that pipe, the Client.
//
// One loop owns the core and the transmitter. Whatever may take long happens
// elsewhere and comes back as an event: reading the pipe, writing to it, and
// writing the state, so that a slow disk delays no tone and no key-up. An agent
// that does not read is an agent that is gone.
//
// On every way out of Run the key goes up: its end, a cancelled context, a
// broken pipe, a panic. What a killed process can't do, the pull of the key line
// towards off does.
package process

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"time"

	"lamplighter/agent/keyer"
	"lamplighter/agent/transmitter"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/setup"
)

// Options says what a keyer runs with.
type Options struct {
	keyer.Config                    // BootID empty: the running kernel's
	Dir          string             // the folder of its state file, which must exist
	Transmitter  transmitter.Driver // what it keys; Run closes it
	In           io.Reader          // from the agent
	Out          io.Writer          // to the agent
	Clock        Clock              // nil: the machine's clocks
}

// FromSetup makes the options of an agent's keyer from the agent's
// configuration, and opens the transmitter that it names. In and Out are still
// to be set.
func FromSetup(file *setup.File) (Options, error) {
	keys, err := file.Keyring()
	if err != nil {
		return Options{}, err
	}
	driver, err := transmitter.Open(file.Transmitter, time.Now)
	if err != nil {
		return Options{}, err
	}
	_, simulated := driver.(*transmitter.Simulated)
	return Options{
		Config: keyer.Config{
			Network: file.Network, Beacon: file.Beacon, Keys: keys, SimulatedTransmitter: simulated,
			LocalOnly: file.Transmitter.LocalOnly() != "",
		},
		Dir: file.Folder, Transmitter: driver,
	}, nil
}

// Run keeps a keyer going until ctx ends (nil), the agent closes its end (nil),
// or something breaks. Whatever the way out, the key is up after it. A process
// that calls it lets SIGTERM and SIGINT end ctx.
func Run(ctx context.Context, o Options) (err error) {
	defer func() { err = errors.Join(err, release(o.Transmitter)) }()
	defer func() {
		if cause := recover(); cause != nil {
			err = fmt.Errorf("the keyer broke down: %v", cause)
		}
	}()
	if o.Clock == nil {
		o.Clock = MachineClock{}
	}
	if o.BootID == "" {
		if o.BootID, err = bootID(); err != nil {
			return err
		}
	}
	unlock, err := lock(o.Dir, o.Clock)
	if err != nil {
		return err
	}
	defer unlock()
	l := newLoop(o)
	defer l.end()
	return l.run(ctx)
}

// release keys up, tries again if need be, and lets go of the transmitter.
func release(driver transmitter.Driver) error {
	for range 3 {
		if driver.Unkey() == nil {
			break
		}
	}
	if err := driver.Close(); err != nil {
		return fmt.Errorf("the transmitter may still be keyed: %w", err)
	}
	return nil
}

// errDeaf ends a keyer whose agent does not read.
var errDeaf = errors.New("the agent does not read what the keyer says")

// loop owns the core and the transmitter.
type loop struct {
	Options
	core *keyer.Core

	frames   chan *keyerv1.ToKeyer
	readErr  error // why frames was closed
	finished chan struct{}

	said    chan *keyerv1.FromKeyer
	saidAll chan struct{}
	deaf    bool

	states    chan []byte
	stored    chan error
	storedAll chan struct{}
}

func newLoop(o Options) *loop {
	l := &loop{
		Options: o,
		frames:  make(chan *keyerv1.ToKeyer), finished: make(chan struct{}),
		said: make(chan *keyerv1.FromKeyer, 1024), saidAll: make(chan struct{}),
		states: make(chan []byte, 1), stored: make(chan error, 1), storedAll: make(chan struct{}),
	}
	go l.read()
	go l.write()
	go l.store()
	return l
}

func (l *loop) run(ctx context.Context) error {
	core, actions := keyer.New(l.Config, readState(l.Dir), l.Clock.Now())
	l.core = core
	l.feed(l.perform(actions)...)
	for !l.deaf {
		e, err := l.await(ctx)
		l.feed(e)
		if _, last := e.(keyer.Leaving); last {
			return err
		}
	}
	l.feed(keyer.Leaving{Why: keyer.AgentGone})
	return errDeaf
}

// await gives what happens next. An error comes only with the last event.
func (l *loop) await(ctx context.Context) (keyer.Event, error) {
	fire, stop := l.Clock.Timer(max(time.Millisecond, l.core.Next()-l.Clock.Now().Boot))
	defer stop()
	select {
	case <-ctx.Done():
		return keyer.Leaving{Why: keyer.KeyerStopped}, nil
	case m, ok := <-l.frames:
		if !ok {
			return keyer.Leaving{Why: keyer.AgentGone}, l.readErr
		}
		return event(m), nil
	case err := <-l.stored:
		return keyer.Stored{Err: err}, nil
	case <-fire:
		return keyer.Tick{}, nil
	}
}

// event is what a message from the agent means to the core.
func event(m *keyerv1.ToKeyer) keyer.Event {
	if m.GetNonceRequest() == nil {
		return keyer.FromAgent{Message: m}
	}
	var made keyer.NonceRequested
	_, _ = rand.Read(made.Nonce[:]) // ends the program rather than fail
	return made
}

// feed takes the core through events and through what its own actions bring.
func (l *loop) feed(events ...keyer.Event) {
	for len(events) > 0 {
		actions := l.core.Step(l.Clock.Now(), events[0])
		events = append(events[1:], l.perform(actions)...)
	}
}

func (l *loop) perform(actions []keyer.Action) (events []keyer.Event) {
	for _, action := range actions {
		switch a := action.(type) {
		case keyer.Key:
			err := l.Transmitter.Key(a.Hz, a.DrivePercent)
			events = append(events, keyer.Keyed{Err: err})
			events = append(events, mismatch(err)...)
		case keyer.Tone:
			if err := l.Transmitter.Tone(a.Hz); err != nil {
				events = append(events, keyer.TransmitterFault{Err: err})
				events = append(events, mismatch(err)...)
			}
		case keyer.Prepare:
			if p, ok := l.Transmitter.(transmitter.Preparer); ok {
				events = append(events, mismatch(p.Prepare(a.Hz, a.DrivePercent))...) // of other errors, Key tells
			}
		case keyer.Unkey:
			events = append(events, keyer.Unkeyed{Err: l.Transmitter.Unkey()})
		case keyer.Persist:
			l.states <- a.State
		case keyer.Reply:
			l.say(a.Message)
		}
	}
	return events
}

// mismatch is the event in an error of what is not as it was set.
func mismatch(err error) []keyer.Event {
	if errors.Is(err, transmitter.ErrReadBack) {
		return []keyer.Event{keyer.ReadBackMismatch{}}
	}
	return nil
}

func (l *loop) say(m *keyerv1.FromKeyer) {
	select {
	case l.said <- m:
	default:
		l.deaf = true
	}
}

func (l *loop) read() {
	defer close(l.frames)
	l.readErr = readFrames(l.In, func() *keyerv1.ToKeyer { return &keyerv1.ToKeyer{} }, func(m *keyerv1.ToKeyer) bool {
		select {
		case l.frames <- m:
			return true
		case <-l.finished:
			return false
		}
	})
}

// write passes on what the core says. When the agent no longer listens, reading
// from it ends too, so nothing more is to be done about it here.
func (l *loop) write() {
	defer close(l.saidAll)
	var broken error
	for m := range l.said {
		if broken == nil {
			broken = writeFrame(l.Out, m)
		}
	}
}

func (l *loop) store() {
	defer close(l.storedAll)
	for state := range l.states {
		l.stored <- writeState(l.Dir, state)
	}
}

// end waits for the last words and the last write, but not for ever: the key is
// up first.
func (l *loop) end() {
	_ = l.Transmitter.Unkey() // release tries again, and reports
	close(l.finished)
	close(l.said)
	close(l.states)
	fire, stop := l.Clock.Timer(time.Second)
	defer stop()
	for _, done := range []chan struct{}{l.saidAll, l.storedAll} {
		select {
		case <-done:
		case <-fire:
			return
		}
	}
}
