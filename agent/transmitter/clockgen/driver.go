package clockgen

import (
	"errors"
	"fmt"
	"io"
	"sync"

	"periph.io/x/conn/v3/i2c"

	"lamplighter/agent/transmitter/clockgen/synth"
	"lamplighter/agent/transmitter/line"
)

// Options says where the part is and how it is wired.
type Options struct {
	Bus     i2c.BusCloser
	Address uint16
	Crystal synth.Crystal
	Output  int         // 0 to 2
	KeyLine line.Output // active: the output is let through; nil: there is none
}

// Driver is a transmitter.
type Driver struct {
	mu      sync.Mutex
	bus     *bus
	closer  io.Closer
	crystal synth.Crystal
	output  int
	keyLine line.Output

	ready wish // programmed, and not yet keyed
	keyed bool
	plan  synth.Plan // of what is on the air
	loop  [8]byte    // the loop's registers
}

// wish is a transmission that is asked for.
type wish struct {
	plan         synth.Plan
	hz           float64
	drivePercent int
}

// Open silences the part, first by the key line. The options' bus and line are
// the driver's from then on, unless there is an error.
func Open(o Options) (*Driver, error) {
	d := &Driver{bus: newBus(o.Bus, o.Address), closer: o.Bus, crystal: o.Crystal, output: o.Output, keyLine: o.KeyLine}
	d.bus.allow(10 * busTime)
	if err := d.gate(false); err != nil {
		return nil, fmt.Errorf("clock generator: key line: %w", err)
	}
	if err := d.wake(); err != nil {
		return nil, fmt.Errorf("clock generator: %w", err)
	}
	return d, nil
}

// gate sets the key line, if there is one.
func (d *Driver) gate(open bool) error {
	if d.keyLine == nil {
		return nil
	}
	return line.Drive(d.keyLine, open)
}

// Prepare programs a frequency in hertz behind an output that is off, so that
// Key has less to do.
func (d *Driver) Prepare(hz float64, drivePercent int) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.bus.allow(busTime)
	return d.prepare(hz, drivePercent)
}

func (d *Driver) prepare(hz float64, drivePercent int) error {
	if d.keyed {
		return errors.New("clock generator: keyed already")
	}
	if drivePercent < 1 || drivePercent > 100 {
		return fmt.Errorf("clock generator: drive of %d percent, and it must lie between 1 and 100", drivePercent)
	}
	plan, err := synth.New(d.crystal, hz)
	if err != nil {
		return fmt.Errorf("clock generator: %w", err)
	}
	d.ready = wish{}
	w := wish{plan, hz, drivePercent}
	if err := d.program(w); err != nil {
		return fmt.Errorf("clock generator: %w", err)
	}
	d.ready = w
	return nil
}

// Key puts the carrier on the air.
func (d *Driver) Key(hz float64, drivePercent int) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.bus.allow(busTime)
	if d.ready.hz != hz || d.ready.drivePercent != drivePercent || d.keyed {
		if err := d.prepare(hz, drivePercent); err != nil {
			return err
		}
	}
	d.plan, d.ready = d.ready.plan, wish{}
	err := d.locked()
	if err == nil {
		err = d.set(disableRegister, allOff&^(1<<d.output))
	}
	if err == nil {
		err = d.gate(true)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("clock generator: %w", err), d.up())
	}
	d.keyed = true
	return nil
}

// Tone moves the carrier to another frequency in hertz.
func (d *Driver) Tone(hz float64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.keyed {
		return errors.New("clock generator: a tone while the key is up")
	}
	d.bus.allow(busTime)
	ratio, err := d.plan.Tune(hz)
	if err == nil {
		err = d.locked()
	}
	if err == nil {
		err = d.tune(ratio.Parameters().Registers())
	}
	if err != nil {
		return fmt.Errorf("clock generator: %w", err)
	}
	return nil
}

// Unkey takes the carrier off the air.
func (d *Driver) Unkey() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.bus.allow(busTime)
	return d.up()
}

// up drops the key line, then silences the part too. With a key line the bus
// does not decide whether the carrier is off.
func (d *Driver) up() error {
	d.ready = wish{}
	gated := d.gate(false)
	silenced := d.silence()
	switch {
	case gated != nil:
		return fmt.Errorf("clock generator: key line: %w", errors.Join(gated, silenced))
	case d.keyLine == nil && silenced != nil:
		return fmt.Errorf("clock generator: %w", silenced)
	}
	d.keyed = false
	return nil
}

// Close unkeys, powers the outputs down, and lets go of line and bus.
func (d *Driver) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.bus.allow(busTime)
	err := d.up()
	_ = d.bus.write(byte(controlRegister+d.output), powerDown) // off already
	if d.keyLine != nil {
		err = errors.Join(err, d.keyLine.Close())
	}
	_ = d.closer.Close() // nothing is left to be written
	return err
}

// LocalOnly says whether only the bus can silence the part.
func (d *Driver) LocalOnly() bool { return d.keyLine == nil }
