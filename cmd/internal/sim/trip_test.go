package sim

import (
	"testing"
	"time"
)

// A trip that the keyer's disk does not take outlives keyer and agent (S5); with
// the power it goes, for nothing else keeps it.
func TestATripOutlivesItsProcessThoughTheDiskFails(t *testing.T) {
	w, o := calmWorld(t, 1, 3*time.Hour)
	w.run(20 * time.Minute)
	for _, d := range w.devices {
		d.stateFails, d.transmitter.mismatch = true, true
	}
	w.run(w.now + 40*time.Minute)
	kept := map[*device]bool{}
	for i, d := range w.devices {
		if d.tripped == "" || trippedOnDisk(d.state) {
			continue
		}
		kept[d] = i%3 != 2
		d.transmitter.mismatch = false
		switch i % 3 {
		case 0:
			d.killAgent()
		case 1:
			d.killKeyer()
		case 2:
			d.powerOff()
			d.powerOn()
		}
		d.stateFails = false
	}
	w.run(w.now + 30*time.Second) // by then all have started
	for d, is := range kept {
		if is != (d.tripped != "") {
			t.Errorf("%s: tripped %q, and it was kept: %v", d.label, d.tripped, is)
		}
	}
	w.settle()
	if len(kept) < 6 || w.reached["a trip that no disk took before the power went"] == 0 {
		t.Errorf("%d tripped: the test shows too little", len(kept))
	}
	w.run(o.Long)
	w.oracle.judgeEnd()
	for _, v := range w.oracle.violations {
		t.Error(v)
	}
}
