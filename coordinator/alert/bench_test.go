package alert_test

import (
	"testing"
	"time"
)

// BenchmarkEvaluation looks at 10,000 beacons of which one in a hundred is in
// trouble: all of it is to take less than 100 ms.
func BenchmarkEvaluation(b *testing.B) {
	w := newWorld(b, text(100, 100, ada))
	for i, beacon := range w.fleet.Beacons {
		if i%100 == 0 {
			w.unplug(beacon.Name)
		}
	}
	w.run(5 * time.Minute)
	if len(w.told) != 100 {
		b.Fatalf("%d messages, want 100", len(w.told))
	}
	for b.Loop() {
		w.now = w.now.Add(5 * time.Second)
		b.StopTimer()
		w.report()
		b.StartTimer()
		w.look()
	}
}
