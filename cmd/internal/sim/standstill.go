package sim

import (
	"time"
)

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
	frozen := d.frozen
	d.frozen = nil
	for _, e := range frozen {
		d.keyerStep(e)
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
