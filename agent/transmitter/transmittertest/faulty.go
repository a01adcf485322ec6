package transmittertest

import (
	"errors"
	"sync/atomic"

	"lamplighter/agent/transmitter"
)

// ErrFault is what a faulty driver reports.
var ErrFault = errors.New("a fault that the test put in")

// Faulty is a driver whose calls fail on demand, without reaching the driver
// behind it. Its switches may be set from any goroutine.
type Faulty struct {
	transmitter.Driver
	FailKey, FailTone, FailUnkey atomic.Bool
}

// Key fails on demand.
func (f *Faulty) Key(hz float64, drivePercent int) error {
	if f.FailKey.Load() {
		return ErrFault
	}
	return f.Driver.Key(hz, drivePercent)
}

// Tone fails on demand.
func (f *Faulty) Tone(hz float64) error {
	if f.FailTone.Load() {
		return ErrFault
	}
	return f.Driver.Tone(hz)
}

// Unkey fails on demand.
func (f *Faulty) Unkey() error {
	if f.FailUnkey.Load() {
		return ErrFault
	}
	return f.Driver.Unkey()
}
