// Package plug watches over a transmitter with plug-in band filters: nothing is
// keyed unless the coding pins say that a filter is in place that passes the
// frequency. A wrong filter, an empty socket or pins that say something unknown
// are the fault of a read-back, on which the keyer trips: a person has to look
// at the socket, and re-arm it.
//
// The pins are read when a transmission is prepared, when it is keyed, and at
// every tone: a filter that is pulled out under power ends the carrier within
// seven tenths of a second.
package plug

import (
	"errors"
	"fmt"

	"lamplighter/agent/transmitter/line"
	"lamplighter/proto/setup"
)

// Transmitter is what is watched over: a driver, as package transmitter says.
type Transmitter interface {
	Key(hz float64, drivePercent int) error
	Tone(hz float64) error
	Unkey() error
	Close() error
}

// Driver is a transmitter with a socket for filters.
type Driver struct {
	Transmitter
	pins    []line.Input
	filters []setup.PlugFilter
}

// Around makes a driver of one that is open. Inner driver and pins are the new
// driver's from then on.
func Around(inner Transmitter, pins []line.Input, filters []setup.PlugFilter) *Driver {
	return &Driver{Transmitter: inner, pins: pins, filters: filters}
}

// FromSetup puts what checked settings name around a driver that is open.
func FromSetup(p setup.Plug, inner Transmitter) (*Driver, error) {
	var pins []line.Input
	for i, at := range p.Pins {
		pin, err := line.OpenGuard(at)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("transmitter.plug.pins[%d]: %w", i, err), release(pins))
		}
		pins = append(pins, pin)
	}
	return Around(inner, pins, p.Filters), nil
}

// Key keys if the right filter is in place.
func (d *Driver) Key(hz float64, drivePercent int) error {
	if err := d.passes(hz); err != nil {
		return err
	}
	return d.Transmitter.Key(hz, drivePercent)
}

// Tone moves the carrier and looks at the filter after it, so that no tone waits
// for the pins.
func (d *Driver) Tone(hz float64) error {
	if err := d.Transmitter.Tone(hz); err != nil {
		return err
	}
	return d.passes(hz)
}

// Prepare looks at the filter, and prepares the inner driver, if that wants to
// be.
func (d *Driver) Prepare(hz float64, drivePercent int) error {
	if err := d.passes(hz); err != nil {
		return err
	}
	if p, ok := d.Transmitter.(interface {
		Prepare(hz float64, drivePercent int) error
	}); ok {
		return p.Prepare(hz, drivePercent)
	}
	return nil
}

// Examine keys up and says whether the pins make sense.
func (d *Driver) Examine() error {
	if e, ok := d.Transmitter.(interface{ Examine() error }); ok {
		if err := e.Examine(); err != nil {
			return err
		}
	} else if err := d.Unkey(); err != nil {
		return err
	}
	_, err := d.fitted()
	return err
}

// Close lets go of the pins too.
func (d *Driver) Close() error { return errors.Join(d.Transmitter.Close(), release(d.pins)) }

// passes says whether the filter in place passes a frequency.
func (d *Driver) passes(hz float64) error {
	f, err := d.fitted()
	switch {
	case err != nil:
		return err
	case !(hz >= float64(f.FromHz) && hz <= float64(f.ToHz)): // false for what is no number
		return fmt.Errorf("%w: the filter in place is %s, which does not pass %.0f Hz; put the right one in, or say which is in with lamplighter fit", line.ErrReadBack, f.Name, hz)
	}
	return nil
}

// fitted is the filter whose code the pins show.
func (d *Driver) fitted() (setup.PlugFilter, error) {
	code := make([]byte, len(d.pins))
	for i, pin := range d.pins {
		active, err := pin.Active()
		if err != nil {
			return setup.PlugFilter{}, fmt.Errorf("transmitter.plug.pins[%d]: %w", i, err)
		}
		code[i] = '0'
		if active {
			code[i] = '1'
		}
	}
	for _, f := range d.filters {
		if f.Code == string(code) {
			return f, nil
		}
	}
	return setup.PlugFilter{}, fmt.Errorf("%w: the coding pins show %s, which is no filter's code; look whether one is in place", line.ErrReadBack, code)
}

func release(pins []line.Input) error {
	var errs []error
	for _, pin := range pins {
		errs = append(errs, pin.Close())
	}
	return errors.Join(errs...)
}
