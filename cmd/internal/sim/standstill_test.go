package sim

import (
	"testing"
	"time"
)

// An agent is missed when its heartbeats have been missing for 300 ms, and no
// carrier lasts half a second without one (S7): one that stands still just before
// a slot may see it keyed, and one that did so earlier may not.
func TestAnAgentThatHangsJustBeforeASlot(t *testing.T) {
	w, o := calmWorld(t, 1, 2*time.Hour)
	const shortly, sooner = 140 * time.Millisecond, 400 * time.Millisecond
	hung, before := 0, w.reached["keyed before a hung agent is missed"]
	for w.now < o.Long-o.Calm {
		w.run(w.now + 5*time.Millisecond)
		for i, d := range w.devices {
			early := []time.Duration{shortly, sooner}[i%2]
			if left := d.expected - w.now; d.expected != 0 && d.alive() && left > early-5*time.Millisecond && left <= early {
				d.hang(time.Minute)
				hung++
			}
		}
	}
	w.settle()
	w.run(o.Long)
	w.oracle.judgeEnd()
	if keyed := w.reached["keyed before a hung agent is missed"] - before; keyed == 0 || keyed == hung {
		t.Errorf("of %d agents that hung before a slot %d saw it keyed", hung, keyed)
	}
	for _, v := range w.oracle.violations {
		t.Error(v)
	}
}
