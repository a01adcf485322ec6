package sim

import (
	"time"

	"lamplighter/agent/keyer"
)

const (
	// quiet is how long a keyer may say nothing before the agent kills it.
	quiet = 10 * time.Second
	// evicted is how long the service manager takes to silence a transmitter
	// whose keyer neither ends nor hears that its agent has.
	evicted = 400 * time.Millisecond
)

// stopKeyer stops the keyer's process for a while. It can't key up then, and
// nobody else does until it has said nothing for so long that it is killed; who
// stands by for that silences.
func (d *device) stopKeyer(long time.Duration) {
	if d.keyer == nil || d.stopped || !d.alive() {
		return
	}
	d.touch()
	if d.keyer == nil {
		return
	}
	w, run, agentRun := d.world, d.keyerRun, d.agentRun
	if d.onAirAt != 0 {
		w.reach("keyer stopped during key-down")
	}
	w.happened("keyer stopped", d.label, run)
	d.stopped = true
	killed := quiet - time.Duration(d.chance.Int64N(int64(each)))
	w.oracle.keyerStopped(d, min(long, killed))
	w.after(min(long, killed), func() {
		switch {
		case d.keyerRun != run || !d.stopped:
		case long <= killed:
			w.reach("a stopped keyer goes on")
			d.continueKeyer()
		case d.agentRun == agentRun && d.alive():
			w.reach("a stopped keyer is killed")
			d.killKeyer()
		default: // the agent, which would kill it, stands still too
			w.after(long-killed, func() {
				if d.keyerRun == run {
					d.continueKeyer()
				}
			})
		}
	})
	d.sleep()
}

// continueKeyer lets a keyer go on that stood still. What was said to it waits
// in the pipe.
func (d *device) continueKeyer() {
	if !d.stopped {
		return
	}
	d.stopped = false
	switch {
	case d.agent == nil: // it notices now
		d.keyerStep(keyer.Leaving{Why: keyer.AgentGone})
		d.endKeyer()
	case !d.asleep: // or it takes that in when the machine wakes up
		d.thaw()
		d.look()
	}
}

// thaw gives the keyer what came while it stood still.
func (d *device) thaw() {
	frozen := d.frozen
	d.frozen = nil
	for _, e := range frozen {
		d.keyerStep(e)
	}
}

// silence is what is left to others when a keyer stands still that should end.
func (d *device) silence() {
	if d.stopped && d.agent == nil {
		d.world.reach("a stopped keyer is evicted")
		d.endKeyer()
	}
}

// hang stops the agent's process for a while.
func (d *device) hang(long time.Duration) {
	if !d.alive() {
		return
	}
	d.touch()
	if d.onAirAt != 0 {
		d.world.reach("agent hung during key-down")
	}
	d.world.happened("agent hangs", d.label, d.agentRun)
	d.hung = true
	d.world.oracle.agentEnded(d)
	run := d.agentRun
	d.sleep()
	d.world.after(long, func() {
		if d.agentRun == run {
			d.resume()
		}
	})
}

// resume lets a process go on that stood still.
func (d *device) resume() {
	if d.hung {
		d.hung = false
		d.goOn()
	}
}

// goOn takes in what came while the agent stood still.
func (d *device) goOn() {
	waiting := d.waiting
	d.waiting = nil
	for _, e := range waiting {
		d.agentStep(e)
	}
	d.look()
}

// suspend stops the machine as a whole. A carrier stays as it is.
func (d *device) suspend(long time.Duration) {
	if !d.running() {
		return
	}
	d.world.happened("suspend", d.label, 0)
	if d.transmitter.keyed {
		d.world.reach("suspended during key-down")
		d.world.oracle.beyond(d)
	}
	d.asleep = true
	d.world.oracle.agentEnded(d)
	d.asleepAt = d.world.now
	runs := d.runs
	d.world.after(long, func() {
		if d.runs == runs {
			d.wakeUp()
		}
	})
}

func (d *device) wakeUp() {
	if !d.powered || !d.asleep {
		return
	}
	d.asleep = false
	d.slept += d.machine.bootTime(d.world.now) - d.machine.bootTime(d.asleepAt)
	if !d.stopped {
		d.thaw()
	}
	d.goOn()
}

// stepWall sets the wall clock.
func (d *device) stepWall(by time.Duration) {
	if !d.running() {
		return
	}
	if d.onAirAt != 0 {
		d.world.reach("wall clock stepped during key-down")
	}
	d.world.happened("wall clock stepped", d.label, uint64(by))
	d.machine.atBoot = d.machine.atBoot.Add(by)
	run := d.agentRun
	for _, wait := range []time.Duration{time.Duration(d.chance.Int64N(int64(beat))), each / 2} {
		d.world.after(wait, func() {
			if d.agentRun == run {
				d.readAt = max(d.readAt, d.world.now-each+1) // the first time with a reading from before
				if wait == each/2 {
					d.readAt = -time.Hour
				}
				d.look()
			}
		})
	}
}
