package switching

import (
	"errors"
	"fmt"
	"time"

	"lamplighter/agent/transmitter/line"
	"lamplighter/proto/setup"
)

// How long things take to settle when no setting says otherwise.
const (
	relaySettle     = 20 * time.Millisecond
	amplifierSettle = 5 * time.Millisecond
)

// FromSetup puts what checked settings name around a driver that is open.
func FromSetup(t setup.Transmitter, inner Transmitter) (*Driver, error) {
	var lines taken
	o := Options{Settle: milliseconds(t.SettleMS, relaySettle)}
	for i, r := range t.Relays {
		key := fmt.Sprintf("transmitter.relays[%d]", i)
		o.Relays = append(o.Relays, Relay{
			Name: r.Name, FromHz: float64(r.FromHz), ToHz: float64(r.ToHz),
			Line: lines.output(key, r.Line), ReadBack: lines.input(key, r.ReadBack),
		})
	}
	if a := t.Amplifier; a != nil {
		o.Amplifier = &Amplifier{
			Line: lines.output("transmitter.amplifier", a.Line), ReadBack: lines.input("transmitter.amplifier", a.ReadBack),
			Settle: milliseconds(a.SettleMS, amplifierSettle),
		}
	}
	if lines.err != nil {
		return nil, errors.Join(lines.err, lines.release())
	}
	d, err := Around(inner, o)
	if err != nil {
		return nil, errors.Join(err, lines.release())
	}
	return d, nil
}

func milliseconds(n int, otherwise time.Duration) time.Duration {
	if n == 0 {
		return otherwise
	}
	return time.Duration(n) * time.Millisecond
}

// taken are the lines that were opened, until the first that could not be.
type taken struct {
	lines []line.Input
	err   error
}

func (t *taken) output(key string, l setup.Line) line.Output {
	if t.err != nil {
		return nil
	}
	out, err := line.OpenOutput(l)
	if err != nil {
		t.err = fmt.Errorf("%s: %w", key, err)
		return nil
	}
	t.lines = append(t.lines, out)
	return out
}

func (t *taken) input(key string, l *setup.Line) line.Input {
	if l == nil || t.err != nil {
		return nil
	}
	in, err := line.OpenInput(*l)
	if err != nil {
		t.err = fmt.Errorf("%s.read_back: %w", key, err)
		return nil
	}
	t.lines = append(t.lines, in)
	return in
}

func (t *taken) release() error {
	var errs []error
	for _, l := range t.lines {
		errs = append(errs, l.Close())
	}
	return errors.Join(errs...)
}
