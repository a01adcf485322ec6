// Package transmittertest holds drivers to their contract, and breaks them for
// the tests of the keyer.
package transmittertest

import (
	"math"
	"testing"
	"testing/synctest"

	"lamplighter/agent/transmitter"
)

// Probe says, from outside the driver, whether there is a carrier.
type Probe func() bool

// checks are the contract, piece by piece.
var checks = []struct {
	name string
	run  func(*testing.T, transmitter.Driver, Probe)
}{
	{"opening does not key", opening},
	{"key, tones, unkey", whole},
	{"unkey is always allowed", unkeyAlways},
	{"a tone needs a carrier", toneNeedsCarrier},
	{"a second key is refused and changes nothing", keyTwice},
	{"impossible wishes do not key", impossible},
	{"close keys up", closing},
}

// Conformance runs every check of the contract. Each takes a driver of its own.
func Conformance(t *testing.T, open func(t *testing.T) (transmitter.Driver, Probe)) {
	for _, check := range checks {
		t.Run(check.name, func(t *testing.T) {
			driver, carrier := open(t)
			check.run(t, driver, carrier)
		})
	}
}

// ConformanceInVirtualTime is Conformance for drivers whose far end is in the
// test itself, so that no busy machine is taken for a fault of theirs.
func ConformanceInVirtualTime(t *testing.T, open func(t *testing.T) (transmitter.Driver, Probe)) {
	for _, check := range checks {
		t.Run(check.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				driver, carrier := open(t)
				check.run(t, driver, carrier)
				_ = driver.Close() // ends what it runs; the check may have closed it
			})
		})
	}
}

func opening(t *testing.T, d transmitter.Driver, carrier Probe) {
	want(t, carrier, false)
	noError(t, d.Close())
	want(t, carrier, false)
}

func whole(t *testing.T, d transmitter.Driver, carrier Probe) {
	for range 2 {
		noError(t, d.Key(7040100, 50))
		want(t, carrier, true)
		for i := range 161 {
			noError(t, d.Tone(7040100+float64(i%4)))
			want(t, carrier, true)
		}
		noError(t, d.Unkey())
		want(t, carrier, false)
	}
	noError(t, d.Close())
}

func unkeyAlways(t *testing.T, d transmitter.Driver, carrier Probe) {
	noError(t, d.Unkey())
	noError(t, d.Unkey())
	want(t, carrier, false)
	noError(t, d.Close())
}

func toneNeedsCarrier(t *testing.T, d transmitter.Driver, carrier Probe) {
	isError(t, d.Tone(7040100))
	want(t, carrier, false)
	noError(t, d.Close())
}

func keyTwice(t *testing.T, d transmitter.Driver, carrier Probe) {
	noError(t, d.Key(7040100, 100))
	isError(t, d.Key(14097100, 100))
	noError(t, d.Unkey())
	want(t, carrier, false)
	noError(t, d.Close())
}

func impossible(t *testing.T, d transmitter.Driver, carrier Probe) {
	for _, wish := range []struct {
		hz    float64
		drive int
	}{
		{0, 50},
		{-1, 50},
		{math.NaN(), 50},
		{math.Inf(1), 50},
		{7040100, 0},
		{7040100, 101},
		{7040100, -1},
	} {
		isError(t, d.Key(wish.hz, wish.drive))
		want(t, carrier, false)
	}
	noError(t, d.Key(7040100, 1))
	isError(t, d.Tone(math.NaN()))
	noError(t, d.Unkey())
	want(t, carrier, false)
	noError(t, d.Close())
}

func closing(t *testing.T, d transmitter.Driver, carrier Probe) {
	noError(t, d.Key(7040100, 50))
	noError(t, d.Close())
	want(t, carrier, false)
}

func want(t *testing.T, carrier Probe, on bool) {
	t.Helper()
	if carrier() != on {
		t.Fatalf("carrier: %v, and it should be %v", !on, on)
	}
}

func noError(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func isError(t *testing.T, err error) {
	t.Helper()
	if err == nil {
		t.Fatal("no error where there should be one")
	}
}
