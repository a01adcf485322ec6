package sequence_test

import (
	"errors"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lamplighter/agent/transmitter/switching/sequence"
)

func TestTheOrder(t *testing.T) {
	p := sequence.Plan{Closed: []bool{true, false}, Amplifier: true}
	for _, c := range []struct {
		name  string
		steps []sequence.Step
		want  []sequence.Step
	}{
		{"prepare", p.Prepare(), []sequence.Step{{What: sequence.Relay, Relay: 1}, {What: sequence.Relay, Relay: 0, On: true}}},
		{"on", p.On(), []sequence.Step{
			{What: sequence.Settle},
			{What: sequence.CheckRelay, Relay: 0, On: true},
			{What: sequence.CheckRelay, Relay: 1},
			{What: sequence.Amplifier, On: true},
			{What: sequence.SettleAmplifier},
			{What: sequence.CheckAmplifier, On: true},
			{What: sequence.SignalOn},
		}},
		{"off", p.Off(), []sequence.Step{
			{What: sequence.SignalOff},
			{What: sequence.Amplifier},
			{What: sequence.SettleAmplifier},
			{What: sequence.CheckAmplifier},
			{What: sequence.Relay, Relay: 0},
			{What: sequence.Relay, Relay: 1},
		}},
		{"nothing but a signal", append(sequence.Plan{}.On(), sequence.Plan{}.Off()...), []sequence.Step{
			{What: sequence.SignalOn}, {What: sequence.SignalOff},
		}},
	} {
		if !slices.Equal(c.steps, c.want) {
			t.Errorf("%s: %v", c.name, c.steps)
		}
	}
}

// shack is what is switched, with parts that fail.
type shack struct {
	t                 *rapid.T
	plan              sequence.Plan
	closed            []bool
	amplifier, signal bool
	settled, ampStill bool
	fails             func(sequence.Step) bool
}

var errBroken = errors.New("broken")

// do does a step, and looks whether it may be done now.
func (s *shack) do(step sequence.Step) error {
	switch step.What {
	case sequence.Relay:
		if s.signal || s.amplifier {
			s.t.Fatalf("%v with signal %v and amplifier %v", step, s.signal, s.amplifier)
		}
	case sequence.Amplifier:
		if step.On && (!s.settled || !slices.Equal(s.closed, s.plan.Closed) || s.signal) {
			s.t.Fatalf("amplifier on with relays %v, settled %v, signal %v", s.closed, s.settled, s.signal)
		}
		if !step.On && s.signal && !s.fails(sequence.Step{What: sequence.SignalOff}) {
			s.t.Fatal("amplifier off under a signal that could be off")
		}
	case sequence.SignalOn:
		if s.amplifier != s.plan.Amplifier || !s.settled || !s.ampStill {
			s.t.Fatalf("signal on with amplifier %v, settled %v and %v", s.amplifier, s.settled, s.ampStill)
		}
	}
	if s.fails(step) {
		return errBroken
	}
	s.set(step)
	return nil
}

func (s *shack) set(step sequence.Step) {
	switch step.What {
	case sequence.Relay:
		s.settled = s.settled && s.closed[step.Relay] == step.On
		s.closed[step.Relay] = step.On
	case sequence.Settle:
		s.settled = true
	case sequence.Amplifier:
		s.amplifier, s.ampStill = step.On, false
	case sequence.SettleAmplifier:
		s.ampStill = true
	case sequence.SignalOn:
		s.signal = true
	case sequence.SignalOff:
		s.signal = false
	}
}

// Whatever fails, on the way on and on the way off: never a relay under power,
// and what could be switched off is off.
func TestWhateverFails(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		plan := sequence.Plan{
			Closed:    rapid.SliceOfN(rapid.Bool(), 0, 5).Draw(t, "closed"),
			Amplifier: rapid.Bool().Draw(t, "amplifier"),
		}
		broken := rapid.SliceOfN(rapid.SampledFrom([]sequence.What{
			sequence.Relay, sequence.CheckRelay, sequence.Settle, sequence.Amplifier, sequence.SettleAmplifier,
			sequence.CheckAmplifier, sequence.SignalOn, sequence.SignalOff,
		}), 0, 2).Draw(t, "broken")
		s := &shack{
			t: t, plan: plan, closed: make([]bool, len(plan.Closed)), settled: len(plan.Closed) == 0, ampStill: !plan.Amplifier,
			fails: func(step sequence.Step) bool { return slices.Contains(broken, step.What) },
		}
		before := sequence.Forward(plan.Prepare(), s.do)
		err := before
		if before == nil {
			err = sequence.Forward(plan.On(), s.do)
		}
		if s.signal != (err == nil) {
			t.Fatalf("signal %v with %v", s.signal, err)
		}
		errs := sequence.Back(plan.Off(), s.do)
		if s.signal && !slices.Contains(broken, sequence.SignalOff) {
			t.Fatal("the signal is on")
		}
		if s.amplifier && !slices.Contains(broken, sequence.Amplifier) {
			t.Fatal("the amplifier is on")
		}
		if len(errs) == 0 && (s.signal || s.amplifier || slices.Contains(s.closed, true)) {
			t.Fatalf("no error, and signal %v, amplifier %v, relays %v", s.signal, s.amplifier, s.closed)
		}
	})
}
