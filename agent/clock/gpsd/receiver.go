package gpsd

import (
	"fmt"

	"lamplighter/agent/clock/judge"
)

// Receiver turns reports into what package judge hears. It is for one
// goroutine.
type Receiver struct {
	// Device is the receiver that counts; empty: the first that speaks.
	Device string
	// Oscillator hears of a disciplined oscillator; nil: nobody does.
	Oscillator func(OSC)

	arrived *TOFF // the latest
}

// Hear takes in a report. It gives an event where there is something for the
// clock, and an error if the daemon can't be spoken with.
func (r *Receiver) Hear(report any) (judge.Event, error) {
	switch m := report.(type) {
	case Version:
		if m.Major != 3 {
			return nil, fmt.Errorf("it speaks protocol %d (release %s), and this program only 3", m.Major, m.Release)
		}
	case Failure:
		return nil, fmt.Errorf("it refused: %s", m.Message)
	case TPV:
		if r.speaks(m.Device) {
			return r.position(m), nil
		}
	case TOFF:
		if r.speaks(m.Device) {
			r.arrived = &m
		}
	case SKY:
		if used, said := m.used(); said && r.speaks(m.Device) {
			return judge.Satellites{Used: used}, nil
		}
	case PPS:
		return judge.Pulse{Real: m.Real(), Clock: m.Clock(), Precision: m.Bound()}, nil
	case OSC:
		if r.Oscillator != nil {
			r.Oscillator(m)
		}
	}
	return nil, nil
}

func (r *Receiver) speaks(device string) bool {
	if r.Device == "" {
		r.Device = device
	}
	return r.Device == device
}

func (r *Receiver) position(m TPV) judge.Event {
	s := judge.Sentence{Fix: fix(m)}
	if m.Time != nil {
		s.Time = m.Time.UTC()
		if a := r.arrived; a != nil && a.Real().Equal(s.Time) {
			s.Arrived = a.Clock()
		}
	}
	return s
}

func fix(m TPV) judge.Fix {
	const deadReckoning, combined, simulated = 5, 6, 8
	switch {
	case m.Mode < 2 || m.Mode > 3:
		return judge.FixNone
	case m.Status == deadReckoning, m.Status == combined, m.Status == simulated:
		return judge.FixDoubted
	}
	return judge.FixReal
}

// used counts the satellites of the fix; false: they are not said.
func (s SKY) used() (uint32, bool) {
	if s.Used != nil {
		return *s.Used, true
	}
	count := uint32(0)
	for _, one := range s.Satellites {
		if one.Used {
			count++
		}
	}
	return count, s.Satellites != nil
}
