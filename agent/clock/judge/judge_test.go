package judge

import (
	"testing"
	"time"

	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

const (
	ms      = time.Millisecond
	minutes = 60 // seconds
	hours   = 3600
)

// scene is what happens to a rig, and what must be known at the end.
type scene struct {
	name   string
	config Config
	play   func(r *rig) Verdict
	known  bool
	bound  time.Duration // at most; 0: not looked at
	reason Reason
	lock   wirev1.Lock
}

const (
	none   = wirev1.Lock_LOCK_NONE
	locked = wirev1.Lock_LOCK_LOCKED
	lost   = wirev1.Lock_LOCK_HOLDOVER
)

func play(t *testing.T, scenes []scene) {
	t.Helper()
	for _, s := range scenes {
		t.Run(s.name, func(t *testing.T) {
			r := newRig(s.config)
			v := s.play(r)
			read := v.Reading
			if read.Known != s.known || v.Reason != s.reason || read.Lock != s.lock {
				t.Errorf("known %v, %s, %v; want %v, %s, %v", read.Known, v.Reason, read.Lock, s.known, s.reason, s.lock)
			}
			if !read.Known {
				return
			}
			if s.bound > 0 && read.Bound > s.bound {
				t.Errorf("the bound is %v, want at most %v", read.Bound, s.bound)
			}
			if off := r.wrong(v); off.Abs() > read.Bound {
				t.Errorf("wrong by %v, and claims %v", off, read.Bound)
			}
		})
	}
}

// set is a rig on which receiver and daemon have agreed for a while.
func set(then func(r *rig) Verdict) func(r *rig) Verdict {
	return func(r *rig) Verdict {
		r.wall, r.daemon = 3*time.Second, server(1)
		r.seconds(20)
		return then(r)
	}
}

func TestWholeSecondTakesTwoWitnesses(t *testing.T) {
	alone := func(n int) func(r *rig) Verdict { return func(r *rig) Verdict { return r.seconds(n) } }
	with := func(change func(r *rig)) func(r *rig) Verdict {
		return func(r *rig) Verdict { change(r); return r.seconds(20) }
	}
	play(t, []scene{
		{"nobody", Config{}, with(func(r *rig) { r.silent = true }), false, 0, Starting, none},
		{"a receiver alone, new", Config{}, alone(20), false, 0, LeapHoldOff, locked},
		{"a receiver alone, for long", Config{}, alone(16 * minutes), false, 0, OneWitness, locked},
		{"a receiver for which the operator answers, new", Config{Alone: true}, alone(14 * minutes), false, 0, LeapHoldOff, locked},
		{"a receiver for which the operator answers", Config{Alone: true}, alone(16 * minutes), true, 4 * ms, Agreed, locked},
		{"receiver and daemon", Config{}, with(func(r *rig) { r.daemon = server(1) }), true, 25 * ms, Agreed, locked},
		{"receiver and a coarse daemon", Config{}, with(func(r *rig) { r.daemon = server(1); r.daemon.Bound = 400 * ms }), true, 4 * ms, Agreed, locked},
		{"receiver and a daemon that can't tell seconds", Config{}, with(func(r *rig) { r.daemon = server(1); r.daemon.Bound = 600 * ms }), false, 0, LeapHoldOff, locked},
		{"one second off with perfect pulses", Config{}, with(func(r *rig) { r.daemon = server(1); r.label = time.Second }), false, 0, Contradicted, locked},
		{"one second back with perfect pulses", Config{}, with(func(r *rig) { r.daemon = server(1); r.label = -time.Second }), false, 0, Contradicted, locked},
		{"no pulse: the sentences and the daemon", Config{}, with(func(r *rig) { r.daemon = server(1); r.pulseless = true }), true, 500 * ms, Agreed, locked},
		{"a daemon with two servers", Config{Daemon: true}, with(func(r *rig) { r.silent = true; r.daemon = server(2) }), true, 25 * ms, Agreed, locked},
		{"the same, and the receiver that should speak never does", Config{}, with(func(r *rig) { r.silent = true; r.daemon = server(2) }), true, 25 * ms, Silent, none},
		{"a daemon with one server", Config{Daemon: true}, with(func(r *rig) { r.silent = true; r.daemon = server(1) }), false, 0, OneWitness, locked},
		{"a daemon with one server, for which the operator answers", Config{Daemon: true, Alone: true}, with(func(r *rig) { r.silent = true; r.daemon = server(1) }), true, 25 * ms, Agreed, locked},
		{"a daemon and a receiver without a pulse", Config{Daemon: true}, with(func(r *rig) { r.pulseless = true; r.daemon = server(1) }), true, 25 * ms, Agreed, locked},
		{"a daemon that refers to itself", Config{Daemon: true}, with(func(r *rig) { r.silent = true; r.daemon = server(2); r.daemon.Local = true }), false, 0, LocalOnly, none},
		{"a daemon without a reference", Config{Daemon: true}, with(func(r *rig) { r.silent = true; r.daemon = server(2); r.daemon.Synchronised = false }), false, 0, Unsynced, none},
	})
}

func TestStale(t *testing.T) {
	quiet := func(n int) func(r *rig) Verdict {
		return func(r *rig) Verdict { r.daemon = nil; r.second(); r.silent = true; return r.seconds(n) }
	}
	play(t, []scene{
		{"four seconds", Config{}, set(quiet(4)), true, 25 * ms, Agreed, locked},
		{"six seconds", Config{}, set(quiet(6)), true, 25 * ms, Silent, lost},
	})
}

func TestFixLostButSentencesContinue(t *testing.T) {
	lose := func(fix Fix) func(r *rig) Verdict {
		return func(r *rig) Verdict { r.fix, r.daemon = fix, nil; return r.second() }
	}
	play(t, []scene{
		{"no fix", Config{}, set(lose(FixNone)), true, 25 * ms, NoFix, lost},
		{"dead reckoning", Config{}, set(lose(FixDoubted)), true, 25 * ms, NotAFix, lost},
		{"battery clock without fix", Config{}, func(r *rig) Verdict { r.fix = FixNone; return r.seconds(20) }, false, 0, NoFix, none},
		{"a simulated fix from the start", Config{}, func(r *rig) Verdict { r.fix = FixDoubted; return r.seconds(20) }, false, 0, NotAFix, none},
		{"regained", Config{}, set(func(r *rig) Verdict {
			r.fix = FixNone
			r.seconds(100)
			r.fix = FixReal
			return r.second()
		}), true, 40 * ms, Agreed, locked},
	})
}

func TestDates(t *testing.T) {
	says := func(label time.Duration) func(r *rig) Verdict {
		return func(r *rig) Verdict { r.daemon, r.label = server(1), label; return r.seconds(20) }
	}
	play(t, []scene{
		{"1024 weeks back", Config{}, says(-1024 * week), false, 0, WeekRollback, locked},
		{"2048 weeks back", Config{}, says(-2048 * week), false, 0, WeekRollback, locked},
		{"before this program", Config{}, says(-100 * 24 * time.Hour), false, 0, BeforeBuild, locked},
		{"in 30 years", Config{}, says(30 * 365 * 24 * time.Hour), false, 0, FarFuture, locked},
		{"1024 weeks ahead", Config{}, says(1024 * week), false, 0, Contradicted, locked},
		{"no battery in the machine either", Config{}, func(r *rig) Verdict {
			r.wall = -time.Duration(began.UnixNano())
			return r.seconds(20)
		}, false, 0, LeapHoldOff, locked},
		{"no battery in the machine, and a daemon that has not set it yet", Config{}, func(r *rig) Verdict {
			r.wall, r.daemon = -time.Duration(began.UnixNano()), server(1)
			return r.seconds(20)
		}, true, 25 * ms, Agreed, locked},
	})
}

func TestLeapOffsetAtColdStart(t *testing.T) {
	play(t, []scene{
		// A receiver that lacks the leap seconds says a time 18 s ahead.
		{"18 s ahead, the operator answers", Config{Alone: true}, func(r *rig) Verdict {
			r.label = 18 * time.Second
			r.seconds(12*minutes + 30)
			r.label = 0
			return r.seconds(170)
		}, true, 4 * ms, Agreed, locked},
		{"18 s ahead, not over yet", Config{Alone: true}, func(r *rig) Verdict {
			r.label = 18 * time.Second
			return r.seconds(12 * minutes)
		}, false, 0, LeapHoldOff, locked},
		{"18 s ahead, and a daemon", Config{}, func(r *rig) Verdict {
			r.label, r.daemon = 18*time.Second, server(1)
			return r.seconds(20 * minutes)
		}, false, 0, Contradicted, locked},
		{"a receiver that was switched off begins anew", Config{Alone: true}, func(r *rig) Verdict {
			r.silent = true
			r.seconds(10)
			r.silent = false
			r.seconds(16 * minutes)
			r.silent = true
			r.seconds(10)
			r.judge.own.forget()
			r.silent = false
			return r.seconds(minutes)
		}, false, 0, LeapHoldOff, locked},
	})
}

func TestJumpsAndWildPulses(t *testing.T) {
	then := func(change func(r *rig), n int) func(r *rig) Verdict {
		return set(func(r *rig) Verdict { r.daemon = nil; r.second(); r.seconds(10); change(r); return r.seconds(n) })
	}
	play(t, []scene{
		{"11 ms, at once", Config{}, then(func(r *rig) { r.early = 11 * ms }, 1), true, 10 * ms, WildPulses, locked},
		{"11 ms, for long", Config{}, then(func(r *rig) { r.early = 11 * ms }, 30), true, 20 * ms, Jumped, locked},
		{"half a second, for an hour", Config{}, then(func(r *rig) { r.early = 500 * ms }, hours), true, 200 * ms, Jumped, locked},
		{"every third pulse is wild", Config{}, then(func(r *rig) { r.wild = 3 }, 60), true, 20 * ms, WildPulses, locked},
		{"60 ms, for longer than the own clock could tell", Config{}, then(func(r *rig) { r.early = 60 * ms }, 2000), true, 110 * ms, Jumped, locked},
		{"60 ms, and back", Config{}, then(func(r *rig) { r.early = 60 * ms; r.seconds(2000); r.early = 0 }, 20), true, 4 * ms, Agreed, locked},
		{"60 ms, and a daemon that can't see so little", Config{}, set(func(r *rig) Verdict {
			r.daemon.Bound = 400 * ms
			r.seconds(10)
			r.early = 60 * ms
			return r.seconds(2000)
		}), true, 110 * ms, Jumped, locked},
		{"the label jumps a second", Config{}, then(func(r *rig) { r.label = time.Second }, 20), true, 20 * ms, Jumped, locked},
		{"the same second over and over", Config{}, then(func(r *rig) { r.stuck = true }, 6), true, 20 * ms, Unsteady, locked},
		{"pulse and sentence contradict each other", Config{}, func(r *rig) Verdict {
			r.daemon, r.early = server(1), 900*ms
			return r.seconds(20) // the sentences and the daemon agree
		}, true, 400 * ms, WrongSecond, locked},
		{"wild from the start", Config{}, func(r *rig) Verdict {
			r.daemon, r.wild = server(1), 2
			return r.seconds(20)
		}, true, 400 * ms, WildPulses, locked},
	})
}

func TestLiars(t *testing.T) {
	play(t, []scene{
		{"the daemon jumps: the receiver is right", Config{}, set(func(r *rig) Verdict {
			r.daemon.Offset = 200 * ms
			return r.seconds(20)
		}), true, 5 * ms, Contradicted, locked},
		{"the receiver jumps: the daemon is right", Config{}, set(func(r *rig) Verdict {
			r.label = 2 * time.Second
			return r.seconds(20)
		}), true, 25 * ms, Contradicted, locked},
		{"both can be right: the own clock goes on", Config{}, set(func(r *rig) Verdict {
			r.daemon.Bound = ms
			r.daemon.Offset = 5 * ms
			return r.seconds(20)
		}), true, 30 * ms, Contradicted, locked},
		{"the pulse creeps away by 5 ppm, and must not have been learned from", Config{}, set(func(r *rig) Verdict {
			r.celsius = new(float64)
			r.daemon.Offset = 19 * ms // as wrong as it admits
			for range 3 * hours {
				r.early += 5 * time.Microsecond
				r.second()
			}
			return r.seconds(1500)
		}), true, 0, Contradicted, locked},
		{"the daemon is wrong from the start, by less than sentences show", Config{}, func(r *rig) Verdict {
			r.daemon = server(1)
			r.daemon.Offset = 200 * ms
			return r.seconds(20)
		}, true, 500 * ms, Contradicted, locked},
	})
}

func TestStepsAndSuspend(t *testing.T) {
	play(t, []scene{
		{"a step of an hour", Config{}, set(func(r *rig) Verdict { r.stepAt = time.Hour; return r.second() }), true, 25 * ms, Agreed, locked},
		{"a step of 11 ms back", Config{}, set(func(r *rig) Verdict { r.stepAt = -11 * ms; return r.second() }), true, 25 * ms, Agreed, locked},
		{"a step each second for a minute", Config{}, set(func(r *rig) Verdict {
			for range 59 {
				r.stepAt = 300 * ms
				r.second()
			}
			r.stepAt = 300 * ms
			return r.second()
		}), true, 30 * ms, Agreed, locked},
		{"slept, the receiver silent", Config{}, set(func(r *rig) Verdict {
			r.slept += time.Hour
			r.utc = r.utc.Add(time.Hour + 700*ms) // the kernel's idea of how long is coarse
			r.silent, r.daemon = true, nil
			return r.second()
		}), false, 0, Suspended, lost},
		{"slept, and confirmed anew", Config{}, set(func(r *rig) Verdict {
			r.slept += time.Hour
			r.utc = r.utc.Add(time.Hour + 700*ms)
			return r.seconds(10)
		}), true, 25 * ms, Agreed, locked},
	})
}

func TestHoldover(t *testing.T) {
	warm := 20.0
	lose := func(r *rig, seconds int) Verdict { r.fix = FixNone; r.daemon = nil; return r.seconds(seconds) }
	play(t, []scene{
		{"nothing learned: 50 ppm", Config{}, set(func(r *rig) Verdict { return lose(r, 1000) }), true, 25*ms + 51*ms, NoFix, lost},
		{"a crystal 30 ppm off that was learned: some 3 ppm", Config{}, set(func(r *rig) Verdict {
			r.ppm, r.celsius = 30, &warm
			r.seconds(2 * hours)
			return lose(r, hours)
		}), true, 35 * ms, NoFix, lost},
		{"one that was learned, and no thermometer: 10 ppm", Config{}, set(func(r *rig) Verdict {
			r.ppm = 30
			r.seconds(2 * hours)
			return lose(r, 1000)
		}), true, 25*ms + 11*ms, NoFix, lost},
	})
}

func TestRemainingIsSaid(t *testing.T) {
	r := newRig(Config{})
	v := set(func(r *rig) Verdict { r.fix, r.daemon = FixNone, nil; return r.seconds(100) })(r)
	want := (500*ms - v.Reading.Bound).Seconds() / 50e-6
	remaining, known := r.judge.Remaining()
	if off := remaining.Seconds() - want; !known || off > 1 || off < -1 {
		t.Errorf("%v remain, want %v s", remaining, want)
	}
}

func TestEveryReasonHasItsSentence(t *testing.T) {
	for _, r := range []Reason{
		Agreed, Starting, Silent, NoFix, NotAFix, NoTime, BeforeBuild, FarFuture, WeekRollback, LeapHoldOff, LeapSecond,
		LeapUnknown, Unsteady, WildPulses, WrongSecond, Unsynced, LocalOnly, OneWitness, Contradicted, Jumped, Suspended,
	} {
		if r.Sentence() == "" {
			t.Errorf("%s has no sentence", r)
		}
	}
	if len(sentences) != 21 {
		t.Errorf("%d sentences, and 21 reasons", len(sentences))
	}
}
