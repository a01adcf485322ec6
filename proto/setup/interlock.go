package setup

import (
	"fmt"
	"slices"
	"strings"
)

// Interlock is an input that must allow every transmission. Its line's active
// level says that all is well; the agent pulls it to the other one, so that a
// broken wire forbids.
type Interlock struct {
	What string `yaml:"what"` // one of the kinds below
	Line Line   `yaml:"line"`
}

// The kinds of interlocks: what the line vouches for.
const (
	InterlockTransceiver = "transceiver" // the transceiver beside the beacon is off
	InterlockAntenna     = "antenna"     // the antenna is switched to the beacon
	InterlockDoor        = "door"        // the door is shut
	InterlockLockout     = "lockout"     // nobody has locked the transmitter out
)

var interlockKinds = []string{InterlockTransceiver, InterlockAntenna, InterlockDoor, InterlockLockout}

const maxInterlocks = 16

func (t Transmitter) checkInterlocks() error {
	if len(t.Interlocks) > maxInterlocks {
		return fmt.Errorf("transmitter.interlocks: %d, and at most %d are allowed", len(t.Interlocks), maxInterlocks)
	}
	for i, lock := range t.Interlocks {
		if !slices.Contains(interlockKinds, lock.What) {
			return fmt.Errorf("transmitter.interlocks[%d].what: %q; write one of: %s", i, lock.What, strings.Join(interlockKinds, ", "))
		}
	}
	return nil
}
