package judge

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// fault is something that happens some times a day and lasts a while.
type fault struct {
	name    string
	perDay  float64
	longest time.Duration // it lasts at least a second
	begin   func(s *simulated)
	end     func(s *simulated)
}

// simulated is a rig on which faults come and go.
type simulated struct {
	*rig
	random *rand.Rand
	base   float64 // the oscillator's frequency offset at 20 °C, ppm
	phase  float64 // of the day's warmth
	heat   float64 // how much warmer than usual, kelvin
	slew   float64 // of the wall clock, ppm
	ramp   time.Duration
	until  map[int]int // by fault: the second in which it ends
}

func (s *simulated) between(low, high float64) float64 { return low + s.random.Float64()*(high-low) }

func sign(b bool) time.Duration {
	if b {
		return 1
	}
	return -1
}

// honest are faults in which nobody says what is not so.
var honest = []fault{
	{"fix lost", 6, 5 * time.Hour, func(s *simulated) { s.fix = FixNone }, func(s *simulated) { s.fix = FixReal }},
	{"receiver off", 4, time.Hour, func(s *simulated) { s.silent = true }, func(s *simulated) { s.silent = false }},
	{"no pulse", 4, time.Hour, func(s *simulated) { s.pulseless = true }, func(s *simulated) { s.pulseless = false }},
	{"daemon off", 4, 8 * time.Hour, func(s *simulated) { s.daemon = nil }, func(s *simulated) { s.daemon = server(1) }},
	{"daemon without a reference", 4, time.Hour, func(s *simulated) { s.daemon = unsynced() }, func(s *simulated) { s.daemon = server(2) }},
	{"daemon coarse", 4, 4 * time.Hour, func(s *simulated) { s.daemon = server(1); s.daemon.Bound = 400 * ms }, func(s *simulated) { s.daemon = server(1) }},
	{"daemon with more servers", 4, 4 * time.Hour, func(s *simulated) { s.daemon = server(3); s.daemon.Bound = 5 * ms }, func(s *simulated) { s.daemon = server(1) }},
	{"step", 20, time.Second, func(s *simulated) { s.stepAt = time.Duration(s.between(-2, 2) * float64(time.Second)) }, func(*simulated) {}},
	{"slew", 10, time.Hour, func(s *simulated) { s.slew = s.between(-15000, 15000) }, func(s *simulated) { s.slew = 0 }},
	{"suspend", 0.5, time.Second, func(s *simulated) {
		s.slept += time.Hour
		s.utc = s.utc.Add(time.Hour + time.Duration(s.between(-1, 1)*float64(time.Second)))
	}, func(*simulated) {}},
	{"heat", 1, 3 * time.Hour, func(s *simulated) { s.heat = s.between(-15, 15) }, func(s *simulated) { s.heat = 0 }},
	{"no thermometer", 1, 8 * time.Hour, func(s *simulated) { s.celsius = nil }, func(s *simulated) { s.celsius = new(float64) }},
	{"late sentences", 4, time.Hour, func(s *simulated) { s.late = 450 * ms }, func(s *simulated) { s.late = 50 * ms }},
	{"wild pulses", 4, 10 * time.Minute, func(s *simulated) { s.wild = 3 }, func(s *simulated) { s.wild = 0 }},
	{"simulated fix", 1, time.Minute, func(s *simulated) { s.fix = FixDoubted }, func(s *simulated) { s.fix = FixReal }},
}

func unsynced() *Daemon {
	d := server(0)
	d.Synchronised, d.Bound = false, 0
	return d
}

// liars are faults of which one per day tells what is not so. The wrong pulses
// are those that can be found out: they jump, or a good daemon is there.
var liars = []fault{
	{"label off by seconds", 12, 6 * time.Hour, func(s *simulated) {
		s.label = time.Duration(1+s.random.IntN(20)) * time.Second * sign(s.random.IntN(2) == 0)
	}, func(s *simulated) { s.label = 0 }},
	{"label off by weeks", 12, 6 * time.Hour, func(s *simulated) {
		s.label = time.Duration(1+s.random.IntN(1024)) * week * sign(s.random.IntN(2) == 0)
	}, func(s *simulated) { s.label = 0 }},
	{"stuck", 12, time.Hour, func(s *simulated) { s.stuck = true }, func(s *simulated) { s.stuck = false }},
	{"pulse displaced", 12, 6 * time.Hour, func(s *simulated) {
		s.early = time.Duration(s.between(60, 900) * float64(ms))
	}, func(s *simulated) { s.early = 0 }},
	{"pulse creeps", 4, 6 * time.Hour, func(s *simulated) {
		s.ramp = time.Duration(s.between(-20, 20) * float64(time.Microsecond))
	}, func(s *simulated) { s.ramp, s.early = 0, 0 }},
	{"wild pulses", 12, time.Hour, func(s *simulated) { s.wild = 1 + s.random.IntN(5) }, func(s *simulated) { s.wild = 0 }},
	{"daemon off by much", 12, 6 * time.Hour, func(s *simulated) {
		s.daemon.Offset = time.Duration(math.Pow(10, s.between(-1.3, 8)) * float64(time.Second) * float64(sign(s.random.IntN(2) == 0)))
	}, func(s *simulated) { s.daemon.Offset = 0 }},
	{"daemon claims too small a bound", 12, 6 * time.Hour, func(s *simulated) {
		s.daemon.Bound, s.daemon.Offset = time.Microsecond, time.Duration(s.between(5, 20)*float64(ms))
	}, func(s *simulated) { *s.daemon = *server(1) }},
}

func (s *simulated) happen(second int, faults []fault) {
	for i, f := range faults {
		switch end, on := s.until[i]; {
		case on && second >= end:
			delete(s.until, i)
			f.end(s)
		case !on && s.random.Float64() < f.perDay/86400:
			s.until[i] = second + 1 + int(s.random.ExpFloat64()*f.longest.Seconds()/3)
			f.begin(s)
		}
	}
}

// weather sets the oscillator: 0.1 ppm per kelvin (common practice for a bare
// crystal near room temperature, no source), and a frequency that wanders.
func (s *simulated) weather(second int) {
	celsius := 20 + 5*math.Sin(2*math.Pi*(float64(second)/86400+s.phase)) + s.heat
	if s.celsius != nil {
		*s.celsius = celsius
	}
	s.base += s.random.NormFloat64() * 1e-5
	s.ppm = s.base + 0.1*(celsius-20)
	s.wall += time.Duration(s.slew * float64(time.Microsecond))
	s.early += s.ramp
	if d := s.daemon; d != nil && s.until[-1] == 0 {
		// As wrong as it admits, and not more.
		d.Offset = time.Duration(0.9 * float64(d.Bound) * math.Sin(float64(second)/1000+s.phase))
	}
}

func newSimulated(seed uint64) *simulated {
	s := &simulated{rig: newRig(Config{}), random: rand.New(rand.NewPCG(seed, 4)), until: map[int]int{}}
	s.base, s.phase = s.between(-30, 30), s.random.Float64()
	s.celsius, s.daemon = new(float64), server(1)
	s.wall = time.Duration(s.between(-1e9, 1e9))
	s.utc = began.Add(time.Duration(s.random.IntN(30)) * 24 * time.Hour)
	return s
}

// day lives through a day and says how many seconds of it the time was known.
func (s *simulated) day(t *testing.T, seed uint64, faults []fault, steadyDaemon bool) int {
	if steadyDaemon {
		s.until[-1] = math.MaxInt // the liar sets its offset
	}
	known := 0
	for second := range 86400 {
		s.happen(second, faults)
		s.weather(second)
		v := s.second()
		if !v.Reading.Known || v.Reading.Bound > half {
			continue
		}
		known++
		if off := s.wrong(v); off.Abs() > v.Reading.Bound {
			t.Fatalf("day %d, second %d (%v): wrong by %v, and claims %v (%s)", seed, second, s.until, off, v.Reading.Bound, v.Reason)
		}
	}
	return known
}

func TestHonestSources(t *testing.T) {
	t.Parallel()
	known := 0
	for seed := range uint64(days) {
		s := newSimulated(seed)
		if seed%8 == 0 {
			s.utc = time.Date(2027, 6, 30, 12, 0, 0, 0, time.UTC)
		}
		known += s.day(t, seed, honest, false)
	}
	t.Logf("%d days: the time was known for %.1f %% of them, and always within the bound", days, float64(known)/864/days)
	if known < days*86400/2 {
		t.Errorf("known for %d of %d seconds only: nothing is shown by that", known, days*86400)
	}
}

func TestOneLiar(t *testing.T) {
	t.Parallel()
	known := 0
	for seed := range uint64(days) {
		which := int(seed) % len(liars)
		s := newSimulated(seed)
		known += s.day(t, seed, liars[which:which+1], true)
	}
	t.Logf("%d days: the time was known for %.1f %% of them, and always right", days, float64(known)/864/days)
	if known < days*86400/4 {
		t.Errorf("known for %d of %d seconds only: nothing is shown by that", known, days*86400)
	}
}
