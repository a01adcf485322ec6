package process_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/keyer"
	"lamplighter/agent/keyer/process"
	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/line/linetest"
	"lamplighter/agent/transmitter/switching"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
)

// relayed is a transmitter behind a relay that takes half a second to settle.
func relayed(t *testing.T, relay *linetest.Fake) (transmitter.Driver, *transmitter.Simulated) {
	t.Helper()
	s := transmitter.NewSimulated(time.Now, nil)
	d, err := switching.Around(s, switching.Options{
		Relays: []switching.Relay{{Name: "filter", FromHz: 1, ToHz: 1e9, Line: relay}},
		Settle: 500 * time.Millisecond,
	})
	if err != nil {
		t.Fatal(err)
	}
	return d, s
}

func TestRelaysSettleBeforeTheFirstSymbol(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var closed time.Time
		relay := linetest.New(func(on bool) {
			if on {
				closed = time.Now()
			}
		})
		driver, s := relayed(t, relay)
		a := newAgent(t, process.InMemory(context.Background(), options(t, driver)))
		a.almost()
		a.keyed()
		on := s.Sent()[0].Tones[0].At
		if ahead := on.Sub(closed); ahead < 700*time.Millisecond || ahead > time.Second || !relay.Is() {
			t.Errorf("the relay closed %v before the carrier", ahead)
		}
		a.ended()
		if relay.Is() {
			t.Error("the relay is still closed")
		}
		a.silent()
	})
}

// A relay that is not as it was set trips: before the carrier, and under it.
func TestS5AWrongReadBackTrips(t *testing.T) {
	for _, underCarrier := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			relay := linetest.New(nil)
			driver, s := relayed(t, relay)
			a := newAgent(t, process.InMemory(context.Background(), options(t, driver)))
			relay.Stick(!underCarrier)
			a.almost()
			if underCarrier {
				a.keyed()
				if err := relay.Set(false); err != nil {
					t.Fatal(err)
				}
			}
			a.status("tripped", func(s *keyerv1.Status) bool { return s.GetTripped() == string(keyer.ReadBack) })
			if s.Keyed() || (len(s.Sent()) == 1) != underCarrier {
				t.Errorf("under a carrier: %v; keyed: %v, sent: %v", underCarrier, s.Keyed(), s.Sent())
			}
			a.silent()
		})
	}
}
