package clock

import (
	"testing"
	"time"

	"lamplighter/agent/clock/feed"
	"lamplighter/proto/setup"
)

func TestFromSetup(t *testing.T) {
	build := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		clock  setup.Clock
		daemon bool
		feeds  []string
	}{
		{setup.Clock{Source: "gpsd"}, false, []string{"gpsd at localhost:2947", "kernel"}},
		{setup.Clock{Source: "gpsd", GPSD: "192.0.2.1:9", Witness: "chrony"}, false, []string{"gpsd at 192.0.2.1:9", "chrony at 127.0.0.1:323"}},
		{setup.Clock{Source: "nmea", Port: "/dev/ttyS0", Witness: "none"}, false, []string{"receiver at /dev/ttyS0"}},
		{setup.Clock{Source: "chrony"}, true, []string{"chrony at 127.0.0.1:323"}},
		{setup.Clock{Source: "kernel", Witness: "gpsd"}, true, []string{"kernel", "gpsd at localhost:2947"}},
	} {
		s, ok := FromSetup(&setup.File{Clock: test.clock}, build, nil).(feed.Source)
		if !ok || s.Judge.Daemon != test.daemon || !s.Judge.Build.Equal(build) || len(s.Feeds) != len(test.feeds) || s.Frequency != nil {
			t.Errorf("%+v makes %+v", test.clock, s)
			continue
		}
		for i, f := range s.Feeds {
			if f.String() != test.feeds[i] {
				t.Errorf("%+v listens to %v, want %s", test.clock, f, test.feeds[i])
			}
		}
	}
	if s := FromSetup(&setup.File{Clock: setup.Clock{Source: "sundial"}}, build, nil); s != nil {
		t.Errorf("a sundial makes %+v", s)
	}
	if _, ok := FromSetup(&setup.File{Clock: setup.Clock{Source: "simulated"}}, build, nil).(Simulated); !ok {
		t.Error("a simulated clock is none")
	}
}

// What is declared of the transmitter's frequency is said; nothing is not known.
func TestFrequencyFromSetup(t *testing.T) {
	file := &setup.File{Clock: setup.Clock{Source: "kernel"}, Transmitter: setup.Transmitter{UncertaintyPPB: 40}}
	s := FromSetup(file, time.Time{}, nil).(feed.Source)
	if ppb := s.Frequency(time.Time{}, nil); *ppb != 40 {
		t.Errorf("%g ppb, want 40", *ppb)
	}
}
