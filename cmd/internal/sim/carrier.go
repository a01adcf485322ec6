package sim

import (
	"math"
	"slices"
	"time"

	"lamplighter/coordinator/lease"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// carrier is one key-down.
type carrier struct {
	device   *device
	slot     int64
	ordered  *wirev1.Transmission
	number   lease.Number
	on, off  time.Duration // true time; off is 0 while it lasts
	into     time.Duration // into the slot, by the keyer's clock, at key-down
	keyedUs  int64         // when, by the keyer's clock
	beyond   bool          // nothing in software could end it
	complete bool
	lied     bool // the agent was wrong about the time, by which alone a keyer goes
}

// heartless is how long heartbeats may be missing before a keyer has to notice
// that its agent stands still.
const heartless = 300 * time.Millisecond

// S7: without an agent there is no carrier after half a second.
func (o *oracle) agentEnded(d *device) {
	o.of(d).ended = o.world.now
	o.mustFall(d, 500*time.Millisecond, "its agent ended or stood still")
}

// judgeAgent judges a carrier that begins without an agent. One that stands still
// has not been missed yet; what is keyed meanwhile falls when what was on the air
// before would have.
func (o *oracle) judgeAgent(d *device) {
	alone := o.world.now - o.of(d).ended
	switch {
	case d.alive():
	case d.hung && d.running() && alone < heartless:
		o.world.reach("keyed before a hung agent is missed")
		o.mustFall(d, 500*time.Millisecond-alone, "it keyed for an agent that stood still")
	default:
		o.violated("S7", d.label, "keyed without an agent that is well")
	}
}

func (o *oracle) mustFall(d *device, within time.Duration, why string) {
	c := o.carrierOf(d)
	if c == nil {
		return
	}
	o.world.after(within, func() {
		if c.off == 0 && !c.beyond && !d.alive() {
			o.violated("S7", d.label, "on the air %v after %s", within, why)
		}
	})
}

// keyerStopped is told of a keyer that can't key up, and of when it goes on or is
// killed. Until then only the hardware's timer ends its carrier; a second later
// it has ended, if the agent was there all the time.
func (o *oracle) keyerStopped(d *device, until time.Duration) {
	c, stopped := o.carrierOf(d), o.world.now
	if c == nil {
		return
	}
	before := c.beyond
	c.beyond = true
	o.world.after(until, func() {
		if until < 300*time.Millisecond { // it need not have noticed
			c.beyond = before
		}
	})
	o.world.after(until+time.Second, func() {
		if c.off == 0 && c.beyond && !before && !d.transmitter.jammed && o.of(d).ended < stopped {
			o.violated("S7", d.label, "on the air %v after its keyer was stopped", until+time.Second)
		}
	})
}

// beyond is told of a carrier that nothing in software can end.
func (o *oracle) beyond(d *device) {
	if c := o.carrierOf(d); c != nil {
		c.beyond = true
	}
}

func (o *oracle) carrierOf(d *device) *carrier {
	for _, c := range o.onAir {
		if c.device == d {
			return c
		}
	}
	return nil
}

func (o *oracle) latestOf(d *device, n int64) *carrier {
	for i := len(o.carriers) - 1; i >= 0 && i >= len(o.carriers)-200; i-- {
		if c := o.carriers[i]; c.device == d && c.slot == n {
			return c
		}
	}
	return nil
}

// keyDown judges a carrier as it begins.
func (o *oracle) keyDown(d *device, hz float64) {
	w := o.of(d)
	clock := d.keyerClock()
	n := slot.Standard.At(clock)
	c := &carrier{
		device: d, slot: int64(n), on: o.world.now, into: clock.Sub(slot.Standard.Start(n)), keyedUs: clock.UnixMicro(),
		ordered: &wirev1.Transmission{}, number: number(w.current()), lied: d.lie != 0,
	}
	if c.lied {
		d.rogue[c.slot] = true
	}
	o.onAir, o.carriers = append(o.onAir, c), append(o.carriers, c)
	if c.into < time.Second-time.Millisecond || c.into > 1200*time.Millisecond+time.Millisecond {
		o.violated("S12", d.label, "keyed %v into slot %d by its own clock", c.into, n)
	}
	if w.keyed[int64(n)] {
		o.violated("S12", d.label, "keyed slot %d twice", n)
	}
	w.keyed[int64(n)] = true
	ordered := listed(w.current(), int64(n))
	if ordered == nil {
		o.violated("S1", d.label, "keyed in slot %d, which orders %v do not list", n, c.number)
		return
	}
	c.ordered = ordered
	o.judgeTone(d, c, hz)
	o.judgeClock(d, c)
	o.judgeFrequency(d, c)
	o.judgeLease(d, c)
	o.judgePermission(d, w, c)
	if !c.lied {
		o.judgeNeighbours(d, c)
	}
	o.judgeIdentification(d, c)
	if w.tripped {
		o.violated("S5", d.label, "keyed after a trip that nobody cleared")
	}
	o.judgeAgent(d)
	o.reachAtKeyDown(d)
	o.world.after(112*time.Second+20*time.Millisecond, func() {
		if c.off == 0 && !c.beyond {
			o.violated("S5", d.label, "on the air for more than 112 s")
		}
	})
}

func listed(orders *wirev1.Orders, n int64) *wirev1.Transmission {
	for _, t := range orders.GetTransmissions() {
		if t.GetSlot() == n {
			return t
		}
	}
	return nil
}

// tone is told of each move of the carrier.
func (o *oracle) tone(d *device, hz float64) {
	if c := o.carrierOf(d); c != nil {
		o.judgeTone(d, c, hz)
	}
}

// S1: four tones, 12000/8192 Hz apart, around the frequency that was ordered.
func (o *oracle) judgeTone(d *device, c *carrier, hz float64) {
	if off := math.Abs(hz - float64(c.ordered.GetFrequencyMillihertz())/1000); off > 1.5*12000/8192+0.01 {
		o.violated("S1", d.label, "a tone %.1f Hz beside the frequency that was ordered", off)
	}
}

// S3: true time lies within half a second, and within what was said, but for a
// jump of the wall clock that is too small to be told from noise: 10 ms.
func (o *oracle) judgeClock(d *device, c *carrier) {
	if d.lastBeat.ClockErrorBoundNs == nil {
		o.violated("S3", d.label, "keyed with a clock of which nobody knows how wrong it is")
	}
	if c.lied {
		return
	}
	wrong := d.clockError().Abs()
	if wrong > 500*time.Millisecond {
		o.violated("S3", d.label, "keyed with a clock that is wrong by %v", wrong)
	}
	if bound := time.Duration(d.lastBeat.GetClockErrorBoundNs()); wrong > bound+10*time.Millisecond+time.Millisecond {
		o.violated("S3", d.label, "the clock is wrong by %v, and it was said to be %v", wrong, bound)
	}
}

// S4: the frequency is as certain as the plan allowed for.
func (o *oracle) judgeFrequency(d *device, c *carrier) {
	off := d.truePPB() * 1e-9 * float64(c.ordered.GetFrequencyMillihertz())
	if off > float64(c.ordered.GetUncertaintyMillihertz())+1 {
		o.violated("S4", d.label, "%.0f mHz off, and the plan allowed for %d", off, c.ordered.GetUncertaintyMillihertz())
	}
}

// S2: the whole transmission ends at least 5 s before the lease does.
func (o *oracle) judgeLease(d *device, c *carrier) {
	ends := c.on + slot.Standard.Timing().Signal() - (c.into - slot.Standard.Timing().StartOffset())
	if end := o.leaseEnd(d, c.ordered.GetControl()); ends+5*time.Second > end+20*time.Millisecond {
		o.violated("S2", d.label, "keyed for slot %d, and its lease ends %v after the transmission", c.slot, end-ends)
	}
	if c.ordered.GetControl() == wirev1.Control_CONTROL_LOCAL && o.world.now >= d.attended {
		o.violated("S2", d.label, "keyed under local control with no operator present")
	}
}

// keyUp judges a carrier as it ends.
func (o *oracle) keyUp(d *device) {
	c := o.carrierOf(d)
	if c == nil {
		return
	}
	c.off = o.world.now
	o.onAir = slices.DeleteFunc(o.onAir, func(x *carrier) bool { return x == c })
	if c.beyond {
		if c.off-c.on > hardwareLimit+time.Millisecond {
			o.violated("S5", d.label, "on the air for %v, past the hardware's timer", c.off-c.on)
		}
		return
	}
	if into := c.into + c.off - c.on; into > 114*time.Second+20*time.Millisecond {
		o.violated("S5", d.label, "on the air %v into the slot", into)
	}
	if c.ordered.GetControl() != 0 && c.off > o.leaseEnd(d, c.ordered.GetControl()) {
		o.violated("S2", d.label, "on the air without a lease")
	}
}
