package process

import (
	"errors"
	"fmt"
	"time"

	"lamplighter/agent/keyer"
	"lamplighter/agent/transmitter/line"
	"lamplighter/proto/setup"
)

// Inputs are the interlocks and the operator's switch.
type Inputs interface {
	// Read says how they are now.
	Read() (keyer.Sensed, error)
	Close() error
}

// senseEvery is the time between two readings of the inputs.
const senseEvery = 25 * time.Millisecond

// sense reads the inputs until the loop has finished. What can't be read is not
// told, and what is not told forbids.
func (l *loop) sense() {
	defer func() { _ = l.inputs.Close() }()
	ticker := time.NewTicker(senseEvery)
	defer ticker.Stop()
	for {
		if s, err := l.inputs.Read(); err == nil {
			select {
			case l.sensed <- s:
			case <-l.finished:
				return
			}
		}
		select {
		case <-ticker.C:
		case <-l.finished:
			return
		}
	}
}

// opens is the reason when an interlock of each kind is open.
var opens = map[string]keyer.Reason{
	setup.InterlockTransceiver: keyer.TransceiverOn, setup.InterlockAntenna: keyer.AntennaAway,
	setup.InterlockDoor: keyer.DoorOpen, setup.InterlockLockout: keyer.LockedOut,
}

// lines are inputs on the machine's lines.
type lines struct {
	interlocks []interlock
	operator   line.Input // nil: there is no switch
}

type interlock struct {
	input line.Input // active: all is well
	open  keyer.Reason
}

func openLines(t setup.Transmitter) (*lines, error) {
	all := &lines{}
	for i, lock := range t.Interlocks {
		in, err := line.OpenGuard(lock.Line)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("transmitter.interlocks[%d]: %w", i, err), all.Close())
		}
		all.interlocks = append(all.interlocks, interlock{in, opens[lock.What]})
	}
	if t.OperatorSwitch != nil {
		in, err := line.OpenGuard(*t.OperatorSwitch)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("transmitter.operator_switch: %w", err), all.Close())
		}
		all.operator = in
	}
	return all, nil
}

// Read gives the first interlock that is open.
func (all *lines) Read() (s keyer.Sensed, err error) {
	for _, lock := range all.interlocks {
		well, err := lock.input.Active()
		if err != nil {
			return s, err
		}
		if !well && s.Open == "" {
			s.Open = lock.open
		}
	}
	if all.operator != nil {
		s.OperatorSwitch, err = all.operator.Active()
	}
	return s, err
}

// Close lets go of the lines.
func (all *lines) Close() error {
	var errs []error
	for _, lock := range all.interlocks {
		errs = append(errs, lock.input.Close())
	}
	if all.operator != nil {
		errs = append(errs, all.operator.Close())
	}
	return errors.Join(errs...)
}
