// Package transmitter holds the drivers of transmitters. Only the keyer opens
// one, and only its one loop calls it.
package transmitter

import "lamplighter/agent/transmitter/line"

// ErrReadBack is in the error of a call when something is not as it was set.
// An operator has to look: the keyer trips on it.
var ErrReadBack = line.ErrReadBack

// Driver is one transmitter.
//
// A driver is made with the key up, and nothing but Key puts it down. Every
// call returns within 50 ms, because the keyer does nothing else meanwhile.
// The package transmittertest holds every driver to this contract.
type Driver interface {
	// Key puts the carrier on the air at a frequency in hertz, with 1 to 100
	// percent of the transmitter's output. It is an error to key what is
	// keyed, or to ask for what the transmitter can't do; after any error the
	// key is to be taken for down until Unkey succeeds.
	Key(hz float64, drivePercent int) error
	// Tone moves the carrier to another frequency in hertz without a break. It
	// is an error while the key is up.
	Tone(hz float64) error
	// Unkey takes the carrier off the air. Nil means that it is off, also when
	// it was off before. It may be called again after an error.
	Unkey() error
	// Close unkeys and lets go of the hardware. The driver can't be used again.
	Close() error
}

// Examiner is a driver that latches, or that can see more than whether the
// carrier is off. Examine keys up, says what is not as it should be then, and if
// nothing is, forgets what had latched.
type Examiner interface {
	Examine() error
}

// Preparer is a driver that wants to hear of a transmission before it is keyed,
// because something has to settle. It never keys, and is called only while the
// key is up. Whatever its result, Key may follow, or Unkey, which forgets it.
type Preparer interface {
	Prepare(hz float64, drivePercent int) error
}
