package keyer

import (
	"time"

	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	"lamplighter/proto/seal"
)

// Instant is one moment by both clocks of the machine.
type Instant struct {
	Wall time.Time     // the system's wall clock, which may be wrong and may jump
	Boot time.Duration // since the kernel started, suspends included; never goes back
}

// Config says for whom this keyer keys. There is no setting for any limit.
type Config struct {
	Network string       // the network's id
	Beacon  string       // the beacon's name
	Keys    seal.Keyring // the coordinator's keys
	BootID  string       // the kernel's boot id: what leases are bound to
	// SimulatedTransmitter says that nothing real is keyed. Only then are slots
	// of other lengths than 120 s accepted, for trials.
	SimulatedTransmitter bool
	// LocalOnly says that the transmitter can be silenced over its bus alone,
	// which is enough only where an operator is present.
	LocalOnly bool
	// Interlocks says that there are inputs that must allow every transmission,
	// and that the shell reads them.
	Interlocks bool
	// OperatorSwitch says that an operator who is present turns a switch on, and
	// that the shell reads it.
	OperatorSwitch bool
}

// Persisted is what the shell found on disk.
type Persisted struct {
	State      []byte // as Persist gave it; empty: there is none yet
	Unreadable error  // why it could not be read; nil: it could, or there is none
	Tripped    Reason // as Remember gave it last, since the machine has power; empty: nothing
}

// Event is something that happened.
type Event interface{ event() }

// FromAgent is a message from the agent.
type FromAgent struct{ Message *keyerv1.ToKeyer }

// NonceRequested is the agent's request for a nonce, with 16 bytes that the
// shell took from a secure source for it.
type NonceRequested struct{ Nonce [16]byte }

// Tick says that nothing happened but the passing of time.
type Tick struct{}

// Leaving says that this process ends, or that nobody is left to key for.
type Leaving struct{ Why Reason }

// Stored is the result of the latest Persist action.
type Stored struct{ Err error }

// Unkeyed is the result of an Unkey action.
type Unkeyed struct{ Err error }

// Keyed is the result of a Key action.
type Keyed struct{ Err error }

// TransmitterFault says that a Tone action failed.
type TransmitterFault struct{ Err error }

// ReadBackMismatch says that the key line, a relay or the amplifier is not as
// it was set.
type ReadBackMismatch struct{}

// Sensed is what the inputs say, read a moment ago. While nothing is read, the
// shell says nothing.
type Sensed struct {
	Open           Reason // an interlock that is open; empty: none is
	OperatorSwitch bool   // the operator's switch is on
}

// Rearm clears a trip, on an operator's word. It is answered with one Answer.
type Rearm struct{ By, Why string }

// Examined is the result of an Examine action.
type Examined struct{ Err error }

// Presence is an operator's word on being at the beacon, from now on and for so
// long; zero: no longer. It is answered with one Answer.
type Presence struct {
	By  string
	For time.Duration
}

func (FromAgent) event()        {}
func (NonceRequested) event()   {}
func (Tick) event()             {}
func (Leaving) event()          {}
func (Stored) event()           {}
func (Keyed) event()            {}
func (Unkeyed) event()          {}
func (TransmitterFault) event() {}
func (ReadBackMismatch) event() {}
func (Sensed) event()           {}
func (Rearm) event()            {}
func (Examined) event()         {}
func (Presence) event()         {}

// Action is something for the shell to do, in the order given.
type Action interface{ action() }

// Reply is a message to the agent.
type Reply struct{ Message *keyerv1.FromKeyer }

// Persist asks for the state to be replaced on disk, durably and as a whole.
// The shell answers with one Stored event; there is never a second Persist
// before that answer.
type Persist struct{ State []byte }

// Remember asks for a trip to be kept in the machine's memory, at once: there it
// outlives this process also where the disk does not take it. Empty: for none to
// be kept. It needs no answer.
type Remember struct{ Tripped Reason }

// Prepare says what the next Key will ask for, so that relays can settle. It
// keys nothing, and needs no answer.
type Prepare struct {
	Hz           float64
	DrivePercent int
}

// Key asks for the carrier, at a frequency in hertz and a percentage of the
// transmitter's output. The shell answers with one Keyed event.
type Key struct {
	Hz           float64
	DrivePercent int
}

// Tone moves the carrier, in hertz. A failure is answered with
// TransmitterFault.
type Tone struct{ Hz float64 }

// Unkey asks for silence. The shell answers with one Unkeyed event.
type Unkey struct{}

// Examine asks whether the transmitter is as it should be with the key up. The
// shell answers with one Examined event.
type Examine struct{}

// Answer goes to the operator who asked last.
type Answer struct{ Message *keyerv1.OperatorAnswer }

func (Reply) action()    {}
func (Examine) action()  {}
func (Answer) action()   {}
func (Persist) action()  {}
func (Remember) action() {}
func (Prepare) action()  {}
func (Key) action()      {}
func (Tone) action()     {}
func (Unkey) action()    {}
