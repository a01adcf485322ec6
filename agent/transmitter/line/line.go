// Package line drives and reads the machine's general purpose lines: the key
// line, relays, the amplifier's enable, and the inputs that say what they did.
//
// A line is taken with its level in one request to the kernel, inactive, so that
// taking it changes nothing that was off. What becomes of it when its process
// dies is the kernel's and the chip's matter: some let it float, some keep it
// driven. So the pull towards off is wired outside, and the agent sets the key
// line inactive again when its keyer died. This has not yet been tried on
// hardware.
package line

import (
	"errors"
	"fmt"

	"github.com/warthog618/go-gpiocdev"

	"lamplighter/proto/setup"
)

// Input is a line that is read.
type Input interface {
	Active() (bool, error)
	Close() error
}

// Output is a line that is driven, and that can be read back.
type Output interface {
	Input
	Set(active bool) error
}

// ErrReadBack is the fault of what is not as it was set: a short circuit, a
// stuck relay, somebody else's hand on the line. An operator has to look.
var ErrReadBack = errors.New("it is not as it was set")

// Drive sets a line and reads it back.
func Drive(l Output, active bool) error {
	if err := l.Set(active); err != nil {
		return err
	}
	return Confirm(l, active)
}

// Confirm reads whether a line is as it should be.
func Confirm(l Input, active bool) error {
	is, err := l.Active()
	if err != nil {
		return err
	}
	if is != active {
		return fmt.Errorf("%w: %s, and it should be %s", ErrReadBack, word(is), word(active))
	}
	return nil
}

func word(active bool) string {
	if active {
		return "active"
	}
	return "inactive"
}

// kernelLine is a line that the kernel drives. Active and inactive are turned
// into levels there.
type kernelLine struct {
	*gpiocdev.Line
	name string
	out  bool
}

// OpenOutput takes a line and drives it inactive.
func OpenOutput(l setup.Line) (Output, error) { return open(l, gpiocdev.AsOutput(0), true) }

// OpenInput takes a line to read it.
func OpenInput(l setup.Line) (Input, error) { return open(l, gpiocdev.AsInput, false) }

// OpenGuard takes a line to read it, and pulls it towards inactive, so that a
// broken wire reads so.
func OpenGuard(l setup.Line) (Input, error) {
	pull := gpiocdev.LineReqOption(gpiocdev.WithPullDown)
	if l.Active == "low" {
		pull = gpiocdev.WithPullUp
	}
	in, err := open(l, gpiocdev.AsInput, false, pull)
	if err != nil {
		return nil, fmt.Errorf("%w; it has to be one that the chip can pull up and down", err)
	}
	return in, nil
}

func open(l setup.Line, direction gpiocdev.LineReqOption, out bool, more ...gpiocdev.LineReqOption) (*kernelLine, error) {
	options := append([]gpiocdev.LineReqOption{direction, gpiocdev.WithConsumer("lamplighter")}, more...)
	if l.Active == "low" {
		options = append(options, gpiocdev.AsActiveLow)
	}
	taken, err := gpiocdev.RequestLine(l.Chip, l.Line, options...)
	if err != nil {
		return nil, fmt.Errorf("%s can't be taken: %w; look at its name, who may use it, and who else does", l, err)
	}
	return &kernelLine{taken, l.String(), out}, nil
}

func (k *kernelLine) Set(active bool) error {
	value := 0
	if active {
		value = 1
	}
	if err := k.SetValue(value); err != nil {
		return fmt.Errorf("%s can't be set: %w", k.name, err)
	}
	return nil
}

func (k *kernelLine) Active() (bool, error) {
	value, err := k.Value()
	if err != nil {
		return false, fmt.Errorf("%s can't be read: %w", k.name, err)
	}
	return value != 0, nil
}

// Close leaves an output inactive.
func (k *kernelLine) Close() error {
	var err error
	if k.out {
		err = k.Set(false)
	}
	return errors.Join(err, k.Line.Close())
}
