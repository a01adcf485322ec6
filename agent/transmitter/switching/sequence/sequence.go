// Package sequence is the order in which a transmitter's relays, its amplifier
// and its signal are switched. It does nothing itself.
//
// On: relays, settle, read-back, amplifier, settle, read-back, signal. Off: the
// signal first, then the amplifier, then the relays. A relay moves only when
// signal and amplifier are known to be off: switched under power, its contacts
// burn and the amplifier sees no load.
package sequence

// What is a kind of step.
type What string

// The kinds of steps.
const (
	Relay           What = "relay"            // open or close it
	CheckRelay      What = "check relay"      // read it back
	Settle          What = "settle"           // wait until contacts are still
	Amplifier       What = "amplifier"        // enable or disable it
	SettleAmplifier What = "settle amplifier" // wait until it has done that
	CheckAmplifier  What = "check amplifier"  // read it back
	SignalOn        What = "signal on"        // key
	SignalOff       What = "signal off"       // unkey
)

// Step is one thing to do.
type Step struct {
	What  What
	Relay int  // which, for relays
	On    bool // for what is set or checked
}

// Plan says what there is, and which relays a transmission needs.
type Plan struct {
	Closed    []bool // one for each relay
	Amplifier bool   // there is one
}

// Prepare gives the steps before the amplifier: what must open, then what must
// close.
func (p Plan) Prepare() (steps []Step) {
	for _, on := range []bool{false, true} {
		for i, closed := range p.Closed {
			if closed == on {
				steps = append(steps, Step{Relay, i, on})
			}
		}
	}
	return steps
}

// On gives the steps from prepared relays to the signal.
func (p Plan) On() (steps []Step) {
	if len(p.Closed) > 0 {
		steps = append(steps, Step{What: Settle})
		steps = append(steps, p.Check()...)
	}
	if p.Amplifier {
		steps = append(steps, Step{Amplifier, 0, true}, Step{What: SettleAmplifier}, Step{CheckAmplifier, 0, true})
	}
	return append(steps, Step{What: SignalOn})
}

// Check gives the steps that read the relays back.
func (p Plan) Check() (steps []Step) {
	for i, closed := range p.Closed {
		steps = append(steps, Step{CheckRelay, i, closed})
	}
	return steps
}

// Off gives the steps to silence. Those for the relays come last.
func (p Plan) Off() []Step {
	steps := []Step{{What: SignalOff}}
	if p.Amplifier {
		steps = append(steps, Step{Amplifier, 0, false}, Step{What: SettleAmplifier}, Step{CheckAmplifier, 0, false})
	}
	for i := range p.Closed {
		steps = append(steps, Step{Relay, i, false})
	}
	return steps
}

// Forward does steps until one fails.
func Forward(steps []Step, do func(Step) error) error {
	for _, s := range steps {
		if err := do(s); err != nil {
			return err
		}
	}
	return nil
}

// Back does the steps of Off. When one fails, those that silence are done all
// the same, and no relay is moved. It gives every error.
func Back(steps []Step, do func(Step) error) (errs []error) {
	for _, s := range steps {
		if s.What == Relay && len(errs) > 0 {
			return errs
		}
		if err := do(s); err != nil {
			errs = append(errs, err)
		}
	}
	return errs
}
