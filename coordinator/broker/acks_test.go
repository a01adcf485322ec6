package broker

import (
	"bytes"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Acknowledgements go out in the order of the messages (MQTT 3.1.1, section 4.6,
// MQTT-4.6.0-2), each once, however they come about.
func TestAcknowledgementsKeepTheOrderOfTheirMessages(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		now := time.Unix(0, 0)
		var a acks
		var out, want []byte
		var open []uint64
		for id := uint16(1); id < 100; id++ {
			if rapid.Bool().Draw(t, "another message") {
				open = append(open, a.expect(id, now))
				want = appendPuback(want, id)
			}
			if len(open) > 0 && rapid.Bool().Draw(t, "one is dealt with") {
				i := rapid.IntRange(0, len(open)-1).Draw(t, "which")
				a.done(open[i])
				open = append(open[:i], open[i+1:]...)
			}
			out = a.appendDue(out, now)
			if !bytes.HasPrefix(want, out) {
				t.Fatalf("%x, of %x", out, want)
			}
		}
		for _, order := range open {
			a.done(order)
			a.done(order)
		}
		if out = a.appendDue(out, now); !bytes.Equal(out, want) {
			t.Fatalf("%x, want %x", out, want)
		}
	})
}

func TestAMessageThatNobodyDealsWithHoldsUpTheOthersForAWhileOnly(t *testing.T) {
	now := time.Unix(0, 0)
	var a acks
	stuck := a.expect(1, now)
	a.done(a.expect(2, now))
	if out := a.appendDue(nil, now.Add(ackPatience-1)); len(out) > 0 {
		t.Errorf("out of turn: %x", out)
	}
	if out := a.appendDue(nil, now.Add(ackPatience)); !bytes.Equal(out, appendPuback(nil, 2)) {
		t.Errorf("held up: %x", out)
	}
	if !a.done(stuck) {
		t.Error("nobody is told that the oldest is dealt with")
	}
	if out := a.appendDue(nil, now.Add(ackPatience)); !bytes.Equal(out, appendPuback(nil, 1)) {
		t.Errorf("in the end: %x", out)
	}
}
