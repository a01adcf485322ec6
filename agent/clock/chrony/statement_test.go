package chrony

import (
	"math"
	"net"
	"testing"
	"time"

	"github.com/facebook/time/ntp/chrony"

	"lamplighter/agent/clock/judge"
)

const (
	ms = time.Millisecond
	us = time.Microsecond
)

// RFC 5905, A.5.5.2: worked by hand from its formula, with MINDISP of 0.005 s.
func TestRootDistance(t *testing.T) {
	for _, test := range []struct {
		distance Distance
		want     time.Duration
	}{
		{Distance{RootDelay: 24 * ms, Delay: 16 * ms, RootDispersion: 12 * ms, Dispersion: 4 * ms, Age: 64 * time.Second, Jitter: 500 * us}, 37460 * us},
		{Distance{Delay: 200 * us, RootDispersion: 100 * us, Dispersion: 200 * us, Age: 16 * time.Second, Jitter: 10 * us}, 3050 * us},
	} {
		if got := test.distance.Root(); got != test.want {
			t.Errorf("%+v is %v, want %v", test.distance, got, test.want)
		}
	}
}

// The example of chronyc(1), 4.3: 6.523 µs slow, root delay 13.639022 ms, root
// dispersion 1.100737 ms, which makes 7.926771 ms.
func TestManualExample(t *testing.T) {
	example := chrony.Tracking{CurrentCorrection: 0.000006523, RootDelay: 0.013639022, RootDispersion: 0.001100737}
	if got := bound(example, 0); (got - 7926771*time.Nanosecond).Abs() > time.Nanosecond {
		t.Errorf("the bound is %v, want 7.926771 ms", got)
	}
	if got := bound(example, 1000*time.Second); (got - 22926771*time.Nanosecond).Abs() > time.Nanosecond {
		t.Errorf("1000 s later it is %v, want 15 ms more", got)
	}
	example.CurrentCorrection *= -1
	if got := bound(example, 0); (got - 7926771*time.Nanosecond).Abs() > time.Nanosecond {
		t.Errorf("fast by as much it is %v, want the same", got)
	}
}

func TestBoundOfNonsense(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), 1e300} {
		if got := bound(chrony.Tracking{RootDispersion: v}, 0); got < 365*24*time.Hour {
			t.Errorf("a root dispersion of %g bounds the time to %v", v, got)
		}
	}
}

func TestStatement(t *testing.T) {
	now := time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)
	good := func(change func(*chrony.Tracking)) chrony.Tracking {
		t := chrony.Tracking{RefID: 0xC0000201, Stratum: 3, RefTime: now, RootDelay: 0.02}
		change(&t)
		return t
	}
	as := func(mode chrony.ModeType, states ...chrony.SourceStateType) (all []chrony.SourceData) {
		for _, s := range states {
			all = append(all, chrony.SourceData{State: s, Mode: mode, Reachability: 255})
		}
		return all
	}
	const server, clock = chrony.SourceModeClient, chrony.SourceModeRef
	const chosen, joined, wrong, silent = chrony.SourceStateSync, chrony.SourceStateCandidate, chrony.SourceStateFalseTicker, chrony.SourceStateUnreach
	same := func(*chrony.Tracking) {}
	for _, test := range []struct {
		name     string
		tracking chrony.Tracking
		sources  []chrony.SourceData
		beside   bool
		want     judge.Daemon
	}{
		{"three servers agree", good(same), as(server, chosen, joined, joined), false, judge.Daemon{Synchronised: true, Servers: 3, Leap: judge.LeapNone}},
		{"one server, one wrong, one silent", good(same), as(server, chosen, wrong, silent), false, judge.Daemon{Synchronised: true, Servers: 1, Leap: judge.LeapNone}},
		{"a server not reached of late", good(same), append(as(server, chosen), chrony.SourceData{State: joined}), false, judge.Daemon{Synchronised: true, Servers: 1, Leap: judge.LeapNone}},
		{"a reference clock and a server", good(same), append(as(clock, chosen), as(server, joined)...), false, judge.Daemon{Synchronised: true, Servers: 2, Leap: judge.LeapNone}},
		{"the same beside a receiver", good(same), append(as(clock, chosen), as(server, joined)...), true, judge.Daemon{Synchronised: true, Local: true, Servers: 1, Leap: judge.LeapNone}},
		{"servers beside a receiver", good(same), append(as(clock, joined), as(server, chosen, joined)...), true, judge.Daemon{Synchronised: true, Servers: 2, Leap: judge.LeapNone}},
		{"its own clock", good(func(t *chrony.Tracking) { t.RefID = 0x7F7F0101 }), nil, false, judge.Daemon{Synchronised: true, Local: true, Leap: judge.LeapNone}},
		{"a server that follows its own clock", good(func(t *chrony.Tracking) { t.Stratum = 11 }), as(server, chosen), false, judge.Daemon{Synchronised: true, Local: true, Servers: 1, Leap: judge.LeapNone}},
		{"not synchronised", good(func(t *chrony.Tracking) { t.LeapStatus = 3 }), nil, false, judge.Daemon{Leap: judge.LeapNone}},
		{"no stratum", good(func(t *chrony.Tracking) { t.Stratum = 0 }), nil, false, judge.Daemon{Leap: judge.LeapNone}},
		{"a second to be inserted", good(func(t *chrony.Tracking) { t.LeapStatus = 1 }), nil, false, judge.Daemon{Synchronised: true, Leap: judge.LeapInsert}},
		{"a second to be left out", good(func(t *chrony.Tracking) { t.LeapStatus = 2 }), nil, false, judge.Daemon{Synchronised: true, Leap: judge.LeapDelete}},
	} {
		test.want.Bound = 10 * ms
		if got := statement(test.tracking, test.sources, now, test.beside); got != test.want {
			t.Errorf("%s: %+v, want %+v", test.name, got, test.want)
		}
	}
}

// FuzzAnswers gives the client answers that no daemon would give.
func FuzzAnswers(f *testing.F) {
	f.Add([]byte("\x06\x02\x00\x00"))
	f.Add(make([]byte, 200))
	f.Fuzz(func(t *testing.T, answer []byte) {
		here, there := net.Pipe()
		defer func() { _, _ = here.Close(), there.Close() }()
		go func() {
			question := make([]byte, 2048)
			for {
				if _, err := there.Read(question); err != nil {
					return
				}
				if _, err := there.Write(answer); err != nil {
					return
				}
			}
		}()
		d, err := Client{}.ask(here)
		if err == nil && d.Bound < leastDispersion/2 {
			t.Errorf("%x makes %+v", answer, d)
		}
	})
}
