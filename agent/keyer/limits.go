package keyer

import (
	"time"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// Reader is the highest format number that this keyer can obey.
const Reader = 1

// The limits. None of them is a setting.
const (
	maxClockError     = 500 * time.Millisecond  // beyond, nothing is keyed
	heartbeatLimit    = 300 * time.Millisecond  // without one, the key goes up
	inputsLimit       = 80 * time.Millisecond   // without inputs that were read, the key goes up
	presenceLasts     = 2 * time.Hour           // of an operator, until it is to be confirmed again
	prepareAhead      = 750 * time.Millisecond  // of key-down: within the slot, and longer than relays take
	latestStart       = 200 * time.Millisecond  // after the nominal instant
	leaseMargin       = 5 * time.Second         // from the end of a transmission to that of its lease
	pairWithin        = 8 * time.Minute         // from the start of a full message to that of its extended one
	clockJump         = 10 * time.Millisecond   // of the wall clock against the boot clock, in one step
	clockSettles      = time.Second             // after a jump
	keyDownSlack      = 1408 * time.Millisecond // a key-down of 112 s less a signal of 110.592 s
	lastSecond        = 114                     // of a standard slot: no carrier from here on
	statusEvery       = time.Second
	unkeyAgain        = 100 * time.Millisecond // after a failure to unkey
	storeAgain        = time.Second            // after a failure to write
	earliestPermit    = 2                      // slots ahead
	signalHalfWidth   = 3000                   // millihertz
	maxNonces         = 8
	maxWaiting        = 64 // verdicts that wait for the disk
	maxTransmissions  = 10_000
	maxSlots          = 100_000
	maxSlot           = 10_000_000_000
	maxFrequency      = 300_000_000_000_000 // millihertz
	maxEnvelopeBands  = 64
	maxHushScopes     = 256
	maxSegments       = 64
	maxStateBytes     = 8 << 20
	maxReasonFromPipe = 40
	maxName           = 64
	maxWhy            = 200
)

// longestTerm is how long a lease of each kind of control may run.
var longestTerm = map[wirev1.Control]time.Duration{
	wirev1.Control_CONTROL_LOCAL:     8 * time.Hour,
	wirev1.Control_CONTROL_REMOTE:    180 * time.Second,
	wirev1.Control_CONTROL_AUTOMATIC: 24 * time.Hour,
}

// controls are the kinds of control.
var controls = [...]wirev1.Control{wirev1.Control_CONTROL_LOCAL, wirev1.Control_CONTROL_REMOTE, wirev1.Control_CONTROL_AUTOMATIC}

// silentFrom is the time into a slot from which there is no carrier: second
// 114 of a standard one, and as much of another.
func silentFrom(l slot.Length) time.Duration {
	return lastSecond * l.Duration() / time.Duration(slot.Standard)
}

// longestKeyDown is 112 s in a standard slot. The slack is not scaled: it is
// for the machine, not for the signal.
func longestKeyDown(l slot.Length) time.Duration { return l.Timing().Signal() + keyDownSlack }
