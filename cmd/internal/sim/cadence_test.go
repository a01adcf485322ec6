package sim

import (
	"testing"
	"time"
)

// A heartbeat that comes just when a slot is due comes too late for it: that is
// keyed, and recorded, by what the one before said of the time.
func TestAHeartbeatAtKeyDownIsForTheNextOne(t *testing.T) {
	w, o := calmWorld(t, 1, 2*time.Hour)
	set := 0
	for w.now < o.Long-o.Calm {
		w.run(w.now + 5*time.Millisecond)
		for _, d := range w.devices {
			switch left := d.expected - w.now; {
			case d.source.judge != nil || d.expected == 0 || d.watched:
			case left > time.Second:
				d.phase = beat - 3*time.Millisecond
			case left > 25*time.Millisecond && left <= 30*time.Millisecond && d.phase == beat-3*time.Millisecond:
				d.machine.atBoot = d.machine.atBoot.Add(-5 * time.Millisecond)
				d.readAt = -time.Hour // the next heartbeat knows it
				set++
			}
		}
	}
	w.settle()
	w.run(o.Long)
	w.oracle.judgeEnd()
	if set == 0 {
		t.Fatal("no clock was set just before a key-down")
	}
	for _, v := range w.oracle.violations {
		t.Errorf("after %d clocks were set: %s", set, v)
	}
}
