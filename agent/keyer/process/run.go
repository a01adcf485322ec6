// Package process is the shell of the keyer: clocks, state file, transmitter,
// and the pipe to the agent; on the agent's side of that pipe, the Client.
//
// One loop owns the core and the transmitter. Whatever may take long happens
// elsewhere and comes back as an event: reading the pipe, writing to it, and
// writing the state, so that a slow disk delays no tone and no key-up. An agent
// that does not read is an agent that is gone.
//
// On every way out of Run the key goes up: its end, a cancelled context, a
// broken pipe, a panic. What a killed process can't do, a second one does, which
// stands by for that (Standby), and the pull of the key line towards off.
package process

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"lamplighter/agent/keyer"
	"lamplighter/agent/machine"
	"lamplighter/agent/transmitter"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/setup"
)

// Options says what a keyer runs with.
type Options struct {
	keyer.Config        // BootID empty: the running kernel's
	Dir          string // the folder of its state file, which must exist
	// Memory is a folder that is gone when the power is, and on no disk: there a
	// trip outlives the process though the disk fails. Empty: there is none.
	Memory string
	// Transmitter opens what it keys, once no other keyer can; Run closes it.
	Transmitter func() (transmitter.Driver, error)
	// Inputs opens what it reads; nil: there are none. Config says what there is.
	Inputs func() (Inputs, error)
	// Operators says that operators are to be heard, on a socket in Dir.
	Operators bool
	In        io.Reader // from the agent
	Out       io.Writer // to the agent
	Errors    io.Writer // what a person has to know; nil: nobody listens
	Clock     Clock     // nil: the machine's clocks
}

// FromSetup makes the options of an agent's keyer from the agent's
// configuration. Nothing is opened yet. In and Out are still to be set.
func FromSetup(file *setup.File) (Options, error) {
	keys, err := file.Keyring()
	if err != nil {
		return Options{}, err
	}
	t := file.Transmitter
	if err := transmitter.Check(t); err != nil {
		return Options{}, err
	}
	o := Options{
		Config: keyer.Config{
			Network: file.Network, Beacon: file.Beacon, Keys: keys, SimulatedTransmitter: t.Driver == "simulated",
			LocalOnly:  t.LocalOnly() != "",
			Interlocks: len(t.Interlocks) > 0, OperatorSwitch: t.OperatorSwitch != nil,
		},
		Dir: file.Folder, Memory: os.Getenv("RUNTIME_DIRECTORY"), Operators: true, Transmitter: func() (transmitter.Driver, error) { return transmitter.Open(t, time.Now) },
	}
	if o.Interlocks || o.OperatorSwitch {
		o.Inputs = func() (Inputs, error) { return openLines(t) }
	}
	return o, nil
}

// Run keeps a keyer going until ctx ends (nil), the agent closes its end (nil),
// or something breaks. Whatever the way out, the key is up after it. A process
// that calls it lets SIGTERM and SIGINT end ctx.
func Run(ctx context.Context, o Options) (err error) {
	defer func() {
		if cause := recover(); cause != nil {
			err = errors.Join(fmt.Errorf("the keyer broke down: %v", cause), err)
		}
	}()
	if o.Clock == nil {
		o.Clock = MachineClock{}
	}
	if o.Errors == nil {
		o.Errors = io.Discard
	}
	if o.BootID == "" {
		if o.BootID, err = bootID(); err != nil {
			return err
		}
	}
	unlock, err := lock(o.Dir)
	if err != nil {
		return err
	}
	defer unlock()
	driver, err := o.Transmitter()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release(driver)) }()
	l := newLoop(o, driver)
	defer l.end()
	if err := l.open(); err != nil {
		return err
	}
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
	core        *keyer.Core
	transmitter transmitter.Driver
	inputs      Inputs // nil: there are none
	timer       machine.Timer
	tripped     string // as it was told last

	sensed   chan keyer.Sensed
	requests chan request
	asking   chan<- *keyerv1.OperatorAnswer // the operator who asked last
	desk     *desk                          // nil: operators are not heard

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

func newLoop(o Options, driver transmitter.Driver) *loop {
	l := &loop{
		Options: o, transmitter: driver, timer: o.Clock.Timer(),
		sensed: make(chan keyer.Sensed), requests: make(chan request),
		frames: make(chan *keyerv1.ToKeyer), finished: make(chan struct{}),
		said: make(chan *keyerv1.FromKeyer, 1024), saidAll: make(chan struct{}),
		states: make(chan []byte, 1), stored: make(chan error, 1), storedAll: make(chan struct{}),
	}
	go l.read()
	go l.write()
	go l.store()
	return l
}

// open opens the inputs, and a desk for operators. Without a desk the keyer
// keys all the same.
func (l *loop) open() (err error) {
	if l.Operators {
		if l.desk, err = openDesk(l.Dir, l.requests, l.finished); err != nil {
			fmt.Fprintf(l.Errors, "keyer: operators can't be heard: %v\n", err)
		}
	}
	if l.Inputs == nil {
		return nil
	}
	if l.inputs, err = l.Inputs(); err != nil {
		return err
	}
	go l.sense()
	return nil
}

func (l *loop) run(ctx context.Context) error {
	found := readState(folder(l.Dir))
	found.Tripped = l.memory().trip()
	core, actions := keyer.New(l.Config, found, l.Clock.Now())
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
	l.timer.Set(max(time.Millisecond, l.core.Next()-l.Clock.Now().Boot))
	select {
	case <-ctx.Done():
		return keyer.Leaving{Why: keyer.KeyerStopped}, nil
	case m, ok := <-l.frames:
		if !ok {
			return keyer.Leaving{Why: keyer.AgentGone}, l.readErr
		}
		return event(m), nil
	case s := <-l.sensed:
		return s, nil
	case r := <-l.requests:
		l.asking = r.answer
		return r.event, nil
	case err := <-l.stored:
		return keyer.Stored{Err: err}, nil
	case <-l.timer.Fires():
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
			err := l.transmitter.Key(a.Hz, a.DrivePercent)
			events = append(events, keyer.Keyed{Err: err})
			events = append(events, mismatch(err)...)
		case keyer.Tone:
			if err := l.transmitter.Tone(a.Hz); err != nil {
				events = append(events, keyer.TransmitterFault{Err: err})
				events = append(events, mismatch(err)...)
			}
		case keyer.Prepare:
			if p, ok := l.transmitter.(transmitter.Preparer); ok {
				events = append(events, mismatch(p.Prepare(a.Hz, a.DrivePercent))...) // of other errors, Key tells
			}
		case keyer.Unkey:
			events = append(events, keyer.Unkeyed{Err: l.transmitter.Unkey()})
		case keyer.Persist:
			l.states <- a.State
		case keyer.Remember:
			if err := l.memory().remember(a.Tripped); err != nil {
				go fmt.Fprintf(l.Errors, "keyer: a trip is kept on disk only: %v\n", err)
			}
		case keyer.Examine:
			events = append(events, keyer.Examined{Err: examine(l.transmitter)})
		case keyer.Answer:
			l.asking <- a.Message
		case keyer.Reply:
			l.say(a.Message)
			l.tell(a.Message)
		}
	}
	return events
}

// examine says whether a transmitter is as it should be with the key up.
func examine(t transmitter.Driver) error {
	if e, ok := t.(transmitter.Examiner); ok {
		return e.Examine()
	}
	return t.Unkey()
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

// tell says on standard error what a person at the beacon has to know. It is
// said beside the loop: nothing that a terminal does may delay a key-up.
func (l *loop) tell(m *keyerv1.FromKeyer) {
	var text string
	switch s := m.GetStatus(); {
	case m.GetOperatorAct() != nil:
		a := m.GetOperatorAct()
		text = fmt.Sprintf("keyer: %s by %s", a.GetDid(), a.GetBy())
	case s == nil || s.GetTripped() == l.tripped:
		return
	case s.GetTripped() == "":
		l.tripped = ""
		return
	default:
		l.tripped = s.GetTripped()
		reason, detail, _ := strings.Cut(l.tripped, ": ")
		text = fmt.Sprintf("keyer: TRIPPED: %s. %s\nNothing is keyed until somebody has looked at the transmitter and says:\n"+
			"  lamplighter-agent keyer rearm --config FILE --by NAME --reason TEXT", keyer.Reason(reason).Sentence(), detail)
	}
	go fmt.Fprintln(l.Errors, text)
}

func (l *loop) read() {
	defer close(l.frames)
	l.readErr = readFrames(polled(l.In), func() *keyerv1.ToKeyer { return &keyerv1.ToKeyer{} }, func(m *keyerv1.ToKeyer) bool {
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
		l.stored <- writeState(folder(l.Dir), state)
	}
}

// end waits for the last words and the last write, but not for ever: the key is
// up first.
func (l *loop) end() {
	_ = l.transmitter.Unkey() // release tries again, and reports
	close(l.finished)
	l.desk.close()
	close(l.said)
	close(l.states)
	l.timer.Stop()
	limit := time.NewTimer(time.Second)
	defer limit.Stop()
	for _, done := range []chan struct{}{l.saidAll, l.storedAll} {
		select {
		case <-done:
		case <-limit.C:
			return
		}
	}
}
