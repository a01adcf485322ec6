package switching

import (
	"errors"
	"fmt"
	"time"

	"lamplighter/agent/transmitter/line"
	"lamplighter/agent/transmitter/switching/sequence"
)

// do does one step, and latches when something is not as it was set.
func (d *Driver) do(s sequence.Step) error {
	err := d.act(s)
	if d.latched == nil && errors.Is(err, line.ErrReadBack) {
		d.latched = err
	}
	return err
}

func (d *Driver) act(s sequence.Step) error {
	switch s.What {
	case sequence.Relay:
		r := d.options.Relays[s.Relay]
		return about("relay "+r.Name, line.Drive(r.Line, s.On))
	case sequence.CheckRelay:
		r := d.options.Relays[s.Relay]
		return about("relay "+r.Name, check(r.Line, r.ReadBack, s.On))
	case sequence.Settle:
		return d.settle()
	case sequence.Amplifier:
		d.live = d.live || s.On
		return about("amplifier", line.Drive(d.options.Amplifier.Line, s.On))
	case sequence.SettleAmplifier:
		wait(d.options.Amplifier.Settle)
	case sequence.CheckAmplifier:
		a := d.options.Amplifier
		return about("amplifier", check(a.Line, a.ReadBack, s.On))
	case sequence.SignalOn:
		d.live = true
		return d.inner.Key(d.wish.hz, d.wish.drivePercent)
	case sequence.SignalOff:
		return d.inner.Unkey()
	}
	return nil
}

// check reads a line back, and what it moves.
func check(driven line.Output, readBack line.Input, on bool) error {
	if err := line.Confirm(driven, on); err != nil || readBack == nil {
		return err
	}
	return line.Confirm(readBack, on)
}

func about(what string, err error) error {
	if err != nil {
		return fmt.Errorf("transmitter: %s: %w", what, err)
	}
	return nil
}

// settle waits for the relays, unless that would take too long.
func (d *Driver) settle() error {
	rest := time.Until(d.still)
	if rest > patience {
		return fmt.Errorf("transmitter: the relays need %v more to settle, and the transmission is to begin now", rest.Round(time.Millisecond))
	}
	wait(rest)
	return nil
}

func wait(d time.Duration) {
	if d <= 0 {
		return
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	<-timer.C
}
