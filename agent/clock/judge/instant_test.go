package judge

import (
	"testing"
	"time"
)

// What the wall clock showed lies between two looks at both clocks; by as much
// as it was slewed between them the raw time is unsure.
func TestMomentsOfTheWallClock(t *testing.T) {
	at := func(raw, wall time.Duration) Instant { return Instant{Wall: began.Add(wall), Raw: raw} }
	for _, test := range []struct {
		name   string
		looks  []Instant
		wall   time.Duration
		raw    time.Duration
		unsure time.Duration
		known  bool
	}{
		{"steady", []Instant{at(0, 0), at(time.Second, time.Second)}, 300 * ms, 300 * ms, 0, true},
		{"slewed", []Instant{at(0, 0), at(time.Second, time.Second+5*ms)}, 300 * ms, 300 * ms, 5 * ms, true},
		{"stepped", []Instant{at(0, 0), at(time.Second, 2*time.Second)}, 300 * ms, 0, 0, false},
		{"stepped, and looked at again", []Instant{at(0, 0), at(time.Second, 2*time.Second), at(2*time.Second, 3*time.Second)}, 2300 * ms, 1300 * ms, 0, true},
		{"to come", []Instant{at(0, 0), at(time.Second, time.Second)}, 1001 * ms, 0, 0, false},
		{"long ago", []Instant{at(0, 0), at(time.Second, time.Second), at(7*time.Second, 7*time.Second)}, 300 * ms, 0, 0, false},
	} {
		var p past
		for _, now := range test.looks {
			p.add(now)
		}
		raw, unsure, known := p.at(began.Add(test.wall))
		if raw != test.raw || unsure != test.unsure || known != test.known {
			t.Errorf("%s: %v ± %v, %v; want %v ± %v, %v", test.name, raw, unsure, known, test.raw, test.unsure, test.known)
		}
	}
}

func TestSlewMakesAPulseUnsure(t *testing.T) {
	var p past
	p.add(Instant{Wall: began})
	p.add(Instant{Wall: began.Add(time.Second + 5*ms), Raw: time.Second})
	r := receiver{sentence: Sentence{Fix: FixReal}}
	r.feel(p, Pulse{Real: began, Clock: began.Add(300 * ms), Precision: ms})
	if len(r.pulses) != 1 || r.pulses[0].bound != 6*ms {
		t.Errorf("%+v, want one good to 6 ms", r.pulses)
	}
}
