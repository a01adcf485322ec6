package sim

import (
	"math"
	"time"

	"lamplighter/agent/clock/holdover"
	"lamplighter/agent/clock/judge"
	"lamplighter/agent/core"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// source is the source of time at a beacon, and the truth about it. Most are a
// model that is as wrong as it admits and no more; some are the real judge,
// which hears a receiver and a time daemon that may say what is not so.
type source struct {
	fix      bool          // there is one now
	lost     time.Duration // when it was lost, true time
	ready    bool          // the time was known since the agent started
	wrong    float64       // by how much the model's time is wrong with a fix, of its bound
	runaway  float64       // how fast it runs away without, of what is allowed for
	warmth   float64       // phase of the day's warmth
	steered  time.Duration // when the oscillator was last steered, true time
	judge    *judge.Judge  // nil: the model
	label    time.Duration // how wrong the receiver's second is
	early    time.Duration // how far its pulse comes before the second
	unsynced bool          // the daemon has no server
	coarse   bool          // it has one, far away
}

const (
	goodBound     = 2 * time.Millisecond
	freeRunning   = 10e-6
	steeredPPB    = 10.0
	ageingPPB     = 200.0 // a day
	warmthPPB     = 1.5   // a kelvin
	judgedEvery   = 4 * time.Second
	daemonBound   = 20 * time.Millisecond
	farBound      = 200 * time.Millisecond // of a daemon whose server is far away
	sentenceAfter = 200 * time.Millisecond
)

// celsius is how warm it is at the beacon.
func (s *source) celsius(now time.Duration) float64 {
	return 15 + 8*math.Sin(2*math.Pi*(now.Hours()/24+s.warmth))
}

// loseFix and findFix are what happens to the receiver.
func (d *device) loseFix() {
	s := &d.source
	if s.fix {
		s.fix, s.lost = false, d.world.now
	}
}

func (d *device) findFix() { d.source.fix = true }

// trueOffset is true time less the wall clock.
func (d *device) trueOffset() time.Duration {
	return d.world.time().Sub(d.machine.wall(d.world.now))
}

// reading is what the source says now.
func (d *device) reading() core.Reading {
	s, now := &d.source, d.world.now
	var r core.Reading
	switch {
	case s.judge != nil:
		v := s.judge.Verdict(d.judgeInstant(now))
		r = v.Reading
		r.Reason = string(v.Reason)
		d.world.reach("a judge says " + r.Reason)
	case s.fix:
		s.ready = true
		r = core.Reading{Known: true, Bound: goodBound, Lock: wirev1.Lock_LOCK_LOCKED}
		r.Offset = d.trueOffset() + time.Duration(s.wrong*float64(goodBound))
	case !s.ready:
		r = core.Reading{Lock: wirev1.Lock_LOCK_NONE, Reason: "starting"}
	default:
		alone := now - s.lost
		r = core.Reading{Known: true, Lock: wirev1.Lock_LOCK_HOLDOVER, Reason: "silent"}
		r.Bound = goodBound + time.Duration(freeRunning*float64(alone))
		r.Offset = d.trueOffset() + time.Duration(s.wrong*float64(goodBound)+s.runaway*freeRunning*float64(alone))
	}
	if s.fix {
		s.steered = now
	}
	r.FrequencyPPB = d.statedPPB()
	return r
}

// statedPPB is how wrong the transmitter's frequency may be, by the real model.
func (d *device) statedPPB() *float64 {
	s, ageing, perKelvin := &d.source, ageingPPB, warmthPPB
	then, present := s.celsius(s.steered), s.celsius(d.world.now)
	known := holdover.Frequency{
		Kind: holdover.DisciplinedByPulse, PPB: steeredPPB, At: d.world.began.Add(s.steered),
		AgeingPPBPerDay: &ageing, PPBPerKelvin: &perKelvin, Celsius: &then,
	}
	ppb, verdict := known.Uncertainty(d.world.time(), &present)
	if verdict != holdover.Known {
		return nil
	}
	return &ppb
}

// truePPB is how wrong it is: nearly as much as it may be.
func (d *device) truePPB() float64 {
	s := &d.source
	alone := d.world.now - s.steered
	if s.fix {
		alone = 0
	}
	return 0.9 * (steeredPPB + ageingPPB*alone.Hours()/24 + warmthPPB*math.Abs(s.celsius(d.world.now)-s.celsius(d.world.now-alone)))
}

// judged lets the real judge hear what receiver and daemon say, shortly after a
// second has begun.
func (d *device) judged() {
	s := &d.source
	if s.judge == nil || !d.powered || d.asleep {
		return
	}
	now := d.world.now
	at := d.judgeInstant
	second := now - sentenceAfter
	said := d.world.began.Add(second).Round(time.Second).Add(s.label)
	temperature := s.celsius(now)
	s.judge.Take(at(now), judge.Temperature{Celsius: temperature})
	fix := judge.FixNone
	if s.fix {
		fix = judge.FixReal
		s.judge.Take(at(now), judge.Pulse{Real: said, Clock: d.machine.wall(second - s.early), Precision: time.Millisecond})
	}
	s.judge.Take(at(now), judge.Sentence{Time: said, Fix: fix})
	bound := daemonBound
	if s.coarse {
		bound = farBound
	}
	s.judge.Take(at(now), judge.Daemon{
		Synchronised: !s.unsynced, Servers: 1, Bound: bound, Leap: judge.LeapNone,
		Offset: d.trueOffset() + time.Duration(0.9*s.wrong*float64(bound)),
	})
}

func (d *device) judgeInstant(t time.Duration) judge.Instant {
	boot := d.machine.bootTime(t)
	awake := boot - d.slept
	return judge.Instant{Wall: d.machine.wall(t), Boot: boot, Awake: awake, Raw: awake}
}
