package sim

import (
	"testing"
	"time"
)

// An agent is killed while the outcome of a slot is on its way to the disk, where
// it arrives all the same or does not. Seeds come to that too seldom for a point
// that they must reach.
func TestAKillDuringACommitLosesNoOutcome(t *testing.T) {
	w, o := calmWorld(t, 1, 3*time.Hour)
	keyed := map[*device]bool{}
	for w.now < o.Long-o.Calm {
		w.run(w.now + time.Second)
		for _, d := range w.devices {
			d.diskSlow = 8 * time.Second
			if keyed[d] && !d.transmitter.keyed {
				d.killAgent()
			}
			keyed[d] = d.transmitter.keyed
		}
	}
	w.settle()
	w.run(o.Long)
	w.oracle.judgeEnd()
	if w.reached["a kill during a commit that landed"] == 0 {
		t.Error("no kill during a commit that landed")
	}
	for _, v := range w.oracle.violations {
		t.Error(v)
	}
}
