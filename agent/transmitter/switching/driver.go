package switching

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"lamplighter/agent/transmitter/line"
	"lamplighter/agent/transmitter/switching/sequence"
)

// patience is how long Key may wait for relays that were not prepared in time.
const patience = 5 * time.Millisecond

// Transmitter is what is switched: a driver, as package transmitter says.
type Transmitter interface {
	Key(hz float64, drivePercent int) error
	Tone(hz float64) error
	Unkey() error
	Close() error
}

// preparer is a transmitter that is to be prepared too.
type preparer interface {
	Prepare(hz float64, drivePercent int) error
}

// Relay is closed for transmissions in a range of frequencies in hertz.
type Relay struct {
	Name         string
	FromHz, ToHz float64
	Line         line.Output
	ReadBack     line.Input // nil: the line itself is all that can be read
}

// Amplifier is enabled for every transmission.
type Amplifier struct {
	Line     line.Output
	ReadBack line.Input // nil: the line itself is all that can be read
	Settle   time.Duration
}

// Options says what is around a transmitter.
type Options struct {
	Relays    []Relay
	Settle    time.Duration // of the relays
	Amplifier *Amplifier    // nil: there is none
}

// Driver is a transmitter with what is around it.
type Driver struct {
	options Options
	inner   Transmitter

	mu      sync.Mutex
	plan    sequence.Plan // as the relays were set last
	wish    wish          // what was prepared, or is on the air
	still   time.Time     // when the relays have settled
	live    bool          // the amplifier or the carrier may be on
	latched error         // what was not as it was set
}

type wish struct {
	hz           float64
	drivePercent int
}

// Around makes a driver of one that is open, and switches everything off. Inner
// driver and lines are the new driver's from then on, unless there is an error.
func Around(inner Transmitter, o Options) (*Driver, error) {
	d := &Driver{options: o, inner: inner}
	d.plan = sequence.Plan{Closed: make([]bool, len(o.Relays)), Amplifier: o.Amplifier != nil}
	if err := d.up(); err != nil {
		return nil, err
	}
	wait(o.Settle)
	if err := sequence.Forward(d.plan.Check(), d.do); err != nil {
		return nil, err
	}
	return d, nil
}

// Prepare sets the relays for a frequency in hertz, and prepares the inner
// driver, if that wants to be.
func (d *Driver) Prepare(hz float64, drivePercent int) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.set(wish{hz, drivePercent}); err != nil {
		return err
	}
	if p, ok := d.inner.(preparer); ok {
		return p.Prepare(hz, drivePercent)
	}
	return nil
}

func (d *Driver) set(w wish) error {
	switch {
	case d.live:
		return errors.New("transmitter: keyed already")
	case d.latched != nil:
		return fmt.Errorf("transmitter: latched: %w", d.latched)
	case w.drivePercent < 1 || w.drivePercent > 100:
		return fmt.Errorf("transmitter: drive of %d percent, and it must lie between 1 and 100", w.drivePercent)
	}
	closed, err := d.closedFor(w.hz)
	if err != nil {
		return err
	}
	d.plan.Closed, d.wish, d.still = closed, wish{}, time.Now().Add(d.options.Settle)
	if err := sequence.Forward(d.plan.Prepare(), d.do); err != nil {
		return err
	}
	d.wish = w
	return nil
}

// closedFor says which relays a frequency needs: one at least, if there are any.
func (d *Driver) closedFor(hz float64) ([]bool, error) {
	closed, served := make([]bool, len(d.options.Relays)), len(d.options.Relays) == 0 && hz > 0 && !math.IsInf(hz, 0)
	for i, r := range d.options.Relays {
		closed[i] = hz >= r.FromHz && hz <= r.ToHz
		served = served || closed[i]
	}
	if !served {
		return nil, fmt.Errorf("transmitter: nothing is wired for %.3f Hz; look at transmitter.relays", hz)
	}
	return closed, nil
}

// Key puts the carrier on the air. When that fails half-way, what is on stays on
// for the caller to key up, which is to happen at once: both together would take
// too long for one call.
func (d *Driver) Key(hz float64, drivePercent int) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	w := wish{hz, drivePercent}
	if d.live || d.latched != nil || d.wish != w {
		if err := d.set(w); err != nil {
			return err
		}
	}
	return sequence.Forward(d.plan.On(), d.do)
}

// Tone moves the carrier to another frequency in hertz, which the relays have to
// be right for.
func (d *Driver) Tone(hz float64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.live {
		return errors.New("transmitter: a tone while the key is up")
	}
	if err := sequence.Forward(d.plan.Check(), d.do); err != nil {
		return err
	}
	if d.options.Amplifier != nil {
		if err := d.do(sequence.Step{What: sequence.CheckAmplifier, On: true}); err != nil {
			return err
		}
	}
	for i, r := range d.options.Relays {
		if d.plan.Closed[i] && !(hz >= r.FromHz && hz <= r.ToHz) {
			return fmt.Errorf("transmitter: relay %s is not for %.3f Hz", r.Name, hz)
		}
	}
	return d.inner.Tone(hz)
}

// Unkey takes the carrier off the air, then the amplifier, then the relays.
func (d *Driver) Unkey() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.up()
}

func (d *Driver) up() error {
	d.wish = wish{}
	if errs := sequence.Back(d.plan.Off(), d.do); len(errs) > 0 {
		return errors.Join(errs...)
	}
	d.live = false
	clear(d.plan.Closed)
	return nil
}

// Examine switches everything off, looks whether it is, and forgets what had
// latched if so.
func (d *Driver) Examine() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	before := d.latched
	d.latched = nil
	err := d.up()
	if err == nil {
		err = sequence.Forward(d.plan.Check(), d.do)
	}
	if err != nil && d.latched == nil {
		d.latched = before
	}
	return err
}

// Close unkeys and lets go of everything.
func (d *Driver) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	errs := []error{d.up(), d.inner.Close()}
	for _, l := range d.lines() {
		errs = append(errs, l.Close())
	}
	return errors.Join(errs...)
}

func (d *Driver) lines() (all []line.Input) {
	if a := d.options.Amplifier; a != nil {
		all = append(all, a.Line)
		if a.ReadBack != nil {
			all = append(all, a.ReadBack)
		}
	}
	for _, r := range d.options.Relays {
		all = append(all, r.Line)
		if r.ReadBack != nil {
			all = append(all, r.ReadBack)
		}
	}
	return all
}
