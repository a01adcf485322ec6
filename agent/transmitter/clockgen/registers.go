package clockgen

import (
	"bytes"
	"errors"
	"fmt"
	"time"
)

// Registers, from memory of AN619.
const (
	statusRegister  = 0
	disableRegister = 3   // a bit for each output: 1 is off
	pinRegister     = 9   // a bit for each output: 1 ignores the output enable pin
	sourceRegister  = 15  // of both loops: 0 is the crystal
	controlRegister = 16  // of output 0; the next output's is the next
	loopRegister    = 26  // eight bytes
	dividerRegister = 42  // of output 0, eight bytes; the next output's follow
	spreadRegister  = 149 // its top bit spreads the spectrum
	resetRegister   = 177
)

const (
	starting     = 0x80 // status: not ready yet
	noLock       = 0x20 // status: the first loop is out of lock
	noCrystal    = 0x08 // status: the crystal does not swing
	powerDown    = 0x80 // control of an output
	wholeDivider = 0x40 // control: the divider is whole and even
	ownDivider   = 0x0c // control: the output comes from its own divider, which the first loop drives
	resetLoop    = 0x20
	allOff       = 0xff
)

// poll is the time between two looks at the status.
const poll = time.Millisecond

// wake puts the part, as it may be after power-on, into a known silence.
func (d *Driver) wake() error {
	if err := d.silence(); err != nil {
		return err
	}
	for output := range 8 {
		if err := d.bus.write(byte(controlRegister+output), powerDown); err != nil {
			return err
		}
	}
	if err := d.bus.write(sourceRegister, 0); err != nil {
		return err
	}
	if err := d.bus.write(spreadRegister, 0); err != nil {
		return err
	}
	// The pin, where the part has one, is obeyed from power-on; say so again.
	return d.bus.write(pinRegister, 0)
}

// silence takes all outputs off, over the bus.
func (d *Driver) silence() error { return d.set(disableRegister, allOff) }

// set writes registers and reads them back.
func (d *Driver) set(register byte, values ...byte) error {
	if err := d.bus.write(register, values...); err != nil {
		return err
	}
	got, err := d.bus.read(register, len(values))
	if err != nil {
		return err
	}
	if !bytes.Equal(got, values) {
		return fmt.Errorf("registers from %d on were set to %x and hold %x; look at the bus and its pull-ups", register, values, got)
	}
	return nil
}

// locked says what keeps the oscillator from being locked, or nil.
func (d *Driver) locked() error {
	status, err := d.bus.read(statusRegister, 1)
	switch {
	case err != nil:
		return err
	case status[0]&starting != 0:
		return errors.New("the part is not ready")
	case status[0]&noCrystal != 0:
		return errors.New("the part has no reference: its crystal does not swing")
	case status[0]&noLock != 0:
		return errors.New("the part's oscillator is out of lock")
	}
	return nil
}

// awaitLock waits until the oscillator is locked, or the call's time is over.
func (d *Driver) awaitLock() error {
	for {
		err := d.locked()
		if err == nil || time.Until(d.bus.deadline) < 5*poll {
			return err
		}
		wait(poll)
	}
}

func wait(d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	<-timer.C
}

// program makes a signal behind an output that is off.
func (d *Driver) program(w wish) error {
	ratio, err := w.plan.Tune(w.hz)
	if err != nil {
		return err
	}
	d.loop = ratio.Parameters().Registers()
	divider := w.plan.DividerRegisters()
	control := wholeDivider | ownDivider | driveStep(w.drivePercent)
	for _, s := range []struct {
		register byte
		values   []byte
	}{
		{loopRegister, d.loop[:]},
		{byte(dividerRegister + 8*d.output), divider[:]},
		{byte(controlRegister + d.output), []byte{control}},
	} {
		if err := d.set(s.register, s.values...); err != nil {
			return err
		}
	}
	if err := d.bus.write(resetRegister, resetLoop); err != nil {
		return err
	}
	return d.awaitLock()
}

// tune moves to another tone: only what differs in the loop's fraction is
// written, in one transaction, and nothing is reset.
func (d *Driver) tune(to [8]byte) error {
	first, last := 0, len(to)
	for first < last && to[first] == d.loop[first] {
		first++
	}
	for last > first && to[last-1] == d.loop[last-1] {
		last--
	}
	if first == last {
		return nil
	}
	if err := d.set(byte(loopRegister+first), to[first:last]...); err != nil {
		return err
	}
	d.loop = to
	return nil
}

// driveStep is the register's code for the highest step of 2, 4, 6 and 8 mA
// whose share of the full power is not above the percentage, or 0.
func driveStep(percent int) byte {
	for step := byte(3); step > 0; step-- {
		if share := int(step+1) * int(step+1) * 100 / 16; share <= percent {
			return step
		}
	}
	return 0
}
