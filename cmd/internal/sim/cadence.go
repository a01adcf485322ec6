package sim

import (
	"time"

	"lamplighter/agent/core"
	"lamplighter/agent/keyer"
	"lamplighter/proto/onair/slot"
)

// runs says whether agent and keyer get any time.
func (d *device) running() bool { return d.powered && !d.asleep }

// alive says whether heartbeats go on.
func (d *device) alive() bool { return d.agent != nil && !d.hung && d.running() }

// agentStep has the agent take in an event, after what each second brings.
func (d *device) agentStep(e core.Event) {
	switch {
	case d.agent == nil:
	case d.hung || d.asleep:
		if len(d.waiting) < 1000 {
			d.waiting = append(d.waiting, e)
		}
	default:
		d.refresh()
		d.work = append(d.work, e)
		d.drain()
	}
}

func (d *device) keyerStep(e keyer.Event) {
	switch {
	case d.keyer == nil:
	case d.asleep, d.stopped:
		d.frozen = append(d.frozen, e)
	default:
		if d.alive() {
			d.refresh() // for the heartbeat before it
		}
		d.work = append(d.work, e)
		d.drain()
	}
}

// touch lets both look at the time.
func (d *device) touch() { d.agentStep(core.Tick{}) }

// together are events that the agent takes in at once.
type together []core.Event

// refresh is what each second brings: a reading of the clock and a word of the
// keyer. While no slot is permitted, the keyer speaks first, by the heartbeat
// before: neither must seem to have been silent.
func (d *device) refresh() {
	if d.busy || d.world.now-d.readAt < each {
		return
	}
	d.readAt = d.world.now
	read := together{core.ClockRead{Reading: d.reading()}}
	if d.keyer != nil && !d.stopped && d.beating != nil && d.alive() && d.expected == 0 && d.onAirAt == 0 {
		_, now := d.instants()
		d.carryOut(d.keyer.Step(now, keyer.FromAgent{Message: d.beating}))
		for len(d.work) > 0 {
			said, ok := d.work[0].(core.KeyerSaid)
			if !ok {
				break
			}
			read, d.work = append(read, said), d.work[1:]
		}
	}
	d.work = append([]any{read, keyer.Tick{}}, d.work...)
	d.drain()
}

// drain takes in what waits, and what that brings.
func (d *device) drain() {
	if d.busy {
		return
	}
	d.busy = true
	for len(d.work) > 0 {
		next := d.work[0]
		d.work = d.work[1:]
		switch e := next.(type) {
		case together:
			if d.agent != nil {
				now, _ := d.instants()
				d.perform(d.agent.Step(now, e...))
			}
		case core.Event:
			if d.agent != nil {
				now, _ := d.instants()
				d.perform(d.agent.Step(now, e))
			}
		case keyer.Event:
			d.feed(e)
		}
	}
	d.busy = false
	d.sleep()
}

// feed steps the keyer, after the heartbeat that came just before.
func (d *device) feed(e keyer.Event) {
	switch {
	case d.keyer == nil:
		return
	case d.stopped:
		if _, ok := e.(keyer.Tick); !ok {
			d.frozen = append(d.frozen, e)
		}
		return
	}
	agentNow, now := d.instants()
	if d.alive() && d.world.now-d.beatAt >= beat {
		if d.expected != 0 && d.world.now-d.beatAt < fewBeats { // what is keyed now is keyed by the heartbeat before
			d.carryOut(d.keyer.Step(now, keyer.Tick{}))
		}
		d.beatAt = d.world.now
		d.beating = d.agent.Heartbeat(agentNow)
		d.lastBeat = d.beating.GetHeartbeat()
		d.lastBeat.WallOffsetNs += int64(d.lie)
		d.carryOut(d.keyer.Step(now, keyer.FromAgent{Message: d.beating}))
		if _, ok := e.(keyer.Tick); ok {
			return // it has just looked
		}
	}
	d.carryOut(d.keyer.Step(now, e))
}

// again is the heartbeat once more, while nothing but a carrier goes on.
func (d *device) again() {
	_, now := d.instants()
	d.beatAt = d.world.now
	d.carryOut(d.keyer.Step(now, keyer.FromAgent{Message: d.beating}))
	if said := d.work; len(said) > 0 {
		d.work = nil
		d.refresh()
		d.work = append(d.work, said...)
		d.drain()
	} else {
		d.sleep()
	}
}

// sleep finds out when somebody has to look again.
func (d *device) sleep() {
	next := d.world.now + seldom
	if d.source.fix && d.expected == 0 {
		next += 4 * seldom
	}
	if d.alive() {
		due := d.agent.NextHeard()
		if d.keyer == nil || d.stopped {
			due = min(due, d.agent.Next())
		}
		at := d.machine.when(due)
		if at-d.readAt >= each && at-early > d.world.now {
			at -= early // to have heard what each second brings before it decides
		}
		next = min(next, at)
	}
	if d.keyer != nil && !d.stopped && d.running() {
		next = min(next, d.keyerNext())
	}
	if !d.running() {
		return
	}
	next = max(next, d.world.now+100*time.Microsecond)
	if next == d.wake {
		return
	}
	d.wake = next
	if d.woken == nil {
		d.woken = func() {
			if d.wake == d.world.now { // and not at another time by now
				d.wake = 0
				d.look()
			}
		}
	}
	d.world.at(next, d.woken)
}

// keyerNext is when the keyer has something to do.
func (d *device) keyerNext() time.Duration {
	now, exact := d.world.now, d.machine.when(d.keyer.Next())
	if !d.alive() || d.transmitter.jammed {
		return exact
	}
	switch {
	case d.watched && (d.onAirAt != 0 || d.expected != 0):
		return min(exact, now+beat)
	case d.onAirAt != 0:
		if end := d.onAirAt + slot.Standard.Timing().Signal() - 100*time.Millisecond; now < end {
			return min(end, d.beatAt+fewBeats)
		}
		return exact
	case d.expected != 0:
		const before = 800 * time.Millisecond
		switch {
		case now < d.expected-before:
			return d.expected - before
		case now < d.expected-d.phase:
			return min(exact, d.expected-d.phase)
		case now < d.expected+time.Second:
			return exact
		}
	}
	return now + seldom
}

// look lets agent and keyer do what is due.
func (d *device) look() {
	if !d.running() {
		return
	}
	if d.onAirAt != 0 && !d.stopped && d.alive() && d.world.now-d.lookedAt < seldom/2 && d.world.now < d.machine.when(d.agent.NextHeard()) {
		d.again()
		return
	}
	d.lookedAt = d.world.now
	if d.alive() {
		d.refresh()
	}
	if d.keyer != nil {
		d.work = append(d.work, keyer.Tick{})
	}
	if now, _ := d.instants(); d.alive() && now.Boot >= d.agent.Next() {
		d.work = append(d.work, core.Tick{})
	}
	d.drain()
}
