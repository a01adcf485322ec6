package sim

import (
	"maps"
	"slices"
	"time"

	"lamplighter/agent/core"
	"lamplighter/agent/keyer"
	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// kind is one thing that can go wrong at a device. It lasts between the two
// times; most are short and some are long.
type kind struct {
	name              string
	perDay            float64 // at each device
	shortest, longest time.Duration
	begin             func(w *world, d *device, long time.Duration) (end func())
}

// atDevices are the faults of one beacon.
var atDevices = []kind{
	{"link cut", 6, time.Second, 10 * time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.link.cut++
		d.link.lose()
		return d.link.mend
	}},
	{"link half open", 4, 10 * time.Second, 3 * time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.link.cut++
		d.link.stall()
		return d.link.mend
	}},
	{"agent killed", 2, 0, 0, func(_ *world, d *device, _ time.Duration) func() { d.killAgent(); return nil }},
	{"agent hangs", 2, 10 * time.Millisecond, 10 * time.Minute, func(_ *world, d *device, long time.Duration) func() {
		d.hang(long)
		return nil
	}},
	{"agent stopped in order", 1, 0, 0, func(w *world, d *device, _ time.Duration) func() { d.stopAgent(); return nil }},
	{"keyer killed", 2, 0, 0, func(_ *world, d *device, _ time.Duration) func() { d.killKeyer(); return nil }},
	{"keyer stopped", 2, 10 * time.Millisecond, 5 * time.Minute, func(w *world, d *device, long time.Duration) func() {
		d.stopKeyer(long)
		if d.chance.IntN(8) == 0 { // and nobody is left to kill it
			w.until(time.Duration(d.chance.Int64N(int64(quiet))), d.killAgent)
		}
		return nil
	}},
	{"power lost", 1, time.Second, 12 * time.Hour, func(w *world, d *device, _ time.Duration) func() {
		if d.onAirAt != 0 {
			w.reach("power lost during key-down")
		}
		d.powerOff()
		return d.powerOn
	}},
	{"wall clock stepped", 3, 0, 0, func(w *world, d *device, _ time.Duration) func() {
		by := time.Duration(d.chance.NormFloat64() * float64(time.Second))
		switch d.chance.IntN(3) {
		case 0:
			by *= 3600
		case 1: // a little, just before a slot is keyed
			for _, t := range w.oracle.of(d).current().GetTransmissions() {
				at := slot.Standard.Start(slot.Number(t.GetSlot())).Add(slot.Standard.Timing().StartOffset()).Sub(w.began)
				if at > w.now+beat {
					w.at(at-time.Duration(d.chance.Int64N(int64(beat))), func() { d.stepWall(by / 10) })
					return nil
				}
			}
		}
		d.stepWall(by)
		return nil
	}},
	{"suspended", 1, time.Second, 2 * time.Hour, func(_ *world, d *device, long time.Duration) func() { d.suspend(long); return nil }},
	{"fix lost", 2, time.Minute, 20 * time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.loseFix()
		d.touch()
		return func() { d.findFix(); d.touch() }
	}},
	{"receiver lies", 1, time.Minute, 4 * time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		if d.chance.IntN(2) == 0 {
			d.source.label = time.Duration(d.chance.IntN(5)-2) * time.Second
		} else {
			d.source.early = time.Duration(60+d.chance.IntN(800)) * time.Millisecond
		}
		return func() { d.source.label, d.source.early = 0, 0 }
	}},
	{"time daemon without a server", 1, time.Minute, 8 * time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.source.unsynced = true
		return func() { d.source.unsynced = false }
	}},
	{"agent's disk full", 1, time.Minute, 4 * time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.diskFull = true
		return func() { d.diskFull = false }
	}},
	{"disk slow", 1, time.Minute, time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.diskSlow = time.Duration(d.chance.IntN(8000)) * time.Millisecond
		return func() { d.diskSlow = 0 }
	}},
	{"keyer's disk fails", 1, time.Second, time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.stateFails = true
		return func() { d.stateFails = false }
	}},
	{"keyer's state garbled", 0.1, 0, 0, func(_ *world, d *device, _ time.Duration) func() {
		d.garbled = true
		d.killKeyer()
		return nil
	}},
	{"transmitter refuses", 0.5, time.Minute, time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.transmitter.deaf = true
		return func() { d.transmitter.deaf = false }
	}},
	{"transmitter jammed", 0.3, time.Second, time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.transmitter.jammed = true
		return func() { d.transmitter.jammed = false }
	}},
	{"line not as it was set", 0.3, time.Minute, time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		d.transmitter.mismatch = true
		return func() { d.transmitter.mismatch = false }
	}},
	{"agent wrong about the time", 1, time.Minute, 10 * time.Minute, func(w *world, d *device, _ time.Duration) func() {
		n := int64(slot.Standard.At(d.keyerClock()))
		d.lie = -time.Duration(d.chance.Int64N(int64(time.Minute)))
		w.reach("an agent that is wrong about the time")
		going := true
		if d.onAirAt != 0 { // the slot seems to come once more
			w.after(2*time.Second, func() { d.permitted(n) })
		}
		w.misbehave(d, &going)
		return func() { d.lie, going = 0, false }
	}},
	{"agent gone wrong", 6, time.Second, 10 * time.Minute, func(w *world, d *device, _ time.Duration) func() {
		going := true
		w.misbehave(d, &going)
		return func() { going = false }
	}},
	{"hush in mid-transmission", 1, time.Minute, 2 * time.Hour, func(w *world, d *device, _ time.Duration) func() {
		if d.onAirAt == 0 && w.chance.IntN(10) != 0 {
			return nil
		}
		release := w.hush(fleet.Scope{Beacon: d.name})
		if release == nil || w.chance.IntN(3) != 0 {
			return release
		}
		d.diskSlow = time.Duration(d.chance.IntN(8000)) * time.Millisecond
		return func() {
			d.diskSlow = 0
			release()
		}
	}},
}

// network is one thing that can go wrong for all.
type networkKind struct {
	name              string
	perDay            float64
	shortest, longest time.Duration
	begin             func(w *world, long time.Duration) (end func())
}

// atNetwork are the faults of everybody.
var atNetwork = []networkKind{
	{"coordinator killed", 6, time.Second, time.Hour, func(w *world, _ time.Duration) func() {
		c := w.coordinators[w.chance.IntN(len(w.coordinators))]
		c.kill()
		return c.start
	}},
	{"coordinator stands still", 8, time.Second, 10 * time.Minute, func(w *world, long time.Duration) func() {
		w.coordinators[w.chance.IntN(len(w.coordinators))].stop(long)
		return nil
	}},
	{"session of the leader ended", 4, 0, 0, func(w *world, _ time.Duration) func() {
		w.database.holder = nil
		return nil
	}},
	{"coordinator killed at a commit", 4, 0, 0, func(w *world, _ time.Duration) func() {
		for _, c := range w.coordinators {
			if c.term != nil {
				c.fails = true
			}
		}
		return nil
	}},
	{"database away", 3, time.Second, time.Hour, func(w *world, _ time.Duration) func() {
		w.database.away = true
		return func() { w.database.away = false }
	}},
	{"broker restarts", 2, 0, 0, func(w *world, _ time.Duration) func() {
		w.broker.restart(time.Duration(w.chance.IntN(120))*time.Second, w.chance.IntN(2) == 0)
		return nil
	}},
	{"site without power", 1, time.Minute, 12 * time.Hour, func(w *world, _ time.Duration) func() {
		site := w.fleet.Sites[w.chance.IntN(len(w.fleet.Sites))].Name
		here := w.at1(site)
		for _, d := range here {
			d.powerOff()
		}
		return func() {
			for _, d := range here {
				d.powerOn()
			}
		}
	}},
	{"partition", 3, time.Minute, 6 * time.Hour, func(w *world, _ time.Duration) func() {
		var cut []*device
		for _, d := range w.devices {
			if w.chance.IntN(2) == 0 {
				cut = append(cut, d)
				d.link.cut++
				d.link.stall()
			}
		}
		w.reach("partition")
		return func() {
			for _, d := range cut {
				d.link.mend()
			}
		}
	}},
	{"messages twice and out of order", 6, time.Minute, 3 * time.Hour, func(w *world, _ time.Duration) func() {
		w.mix = mix{reorder: 2 + w.chance.IntN(20), duplicate: 2 + w.chance.IntN(20)}
		return func() { w.mix = mix{} }
	}},
	{"network slow", 2, time.Minute, time.Hour, func(w *world, _ time.Duration) func() {
		w.slow = time.Duration(w.chance.IntN(10_000)) * time.Millisecond
		return func() {
			w.slow = 0
			if w.chance.IntN(2) == 0 { // and then there is none for a while
				cut := slices.Clone(w.devices)
				for _, d := range cut {
					d.link.cut++
					d.link.stall()
				}
				w.until(time.Duration(w.chance.IntN(600))*time.Second, func() {
					for _, d := range cut {
						d.link.mend()
					}
				})
			}
		}
	}},
	{"fleet changed", 6, 0, 0, func(w *world, _ time.Duration) func() {
		w.changeFleet(w.chance.IntN(len(w.fleets)))
		return nil
	}},
	{"planner gone wrong", 1, time.Minute, 2 * time.Hour, func(w *world, _ time.Duration) func() {
		w.badPlans = true
		return func() { w.badPlans = false }
	}},
	{"hush", 8, time.Minute, 3 * time.Hour, func(w *world, _ time.Duration) func() { return w.hush(w.someScope()) }},
	{"second device", 2, time.Minute, 3 * time.Hour, func(w *world, _ time.Duration) func() {
		return w.devices[w.chance.IntN(len(w.fleets[0].fleet.Beacons))].doubled()
	}},
}

// at1 lists the devices of a site.
func (w *world) at1(site string) (list []*device) {
	for _, d := range w.devices {
		if w.fleets[0].fleet.Beacon(d.name).Site.Name == site {
			list = append(list, d)
		}
	}
	return list
}

// storm lets faults of every kind come. How often each comes is drawn for each
// seed: some never do, some do much more than usual, so that seeds differ.
func (w *world) storm() {
	intensity := func() float64 { return []float64{0, 0.5, 1, 1, 4}[w.chance.IntN(5)] }
	for _, k := range slices.Concat(atDevices, pairsAtDevices) {
		rate := k.perDay * intensity() / 3
		for _, d := range w.devices {
			w.recur(rate, func() {
				long := w.lasting(k.shortest, k.longest)
				w.happened(k.name, d.label, uint64(long))
				w.reach("fault: " + k.name)
				w.until(long, k.begin(w, d, long))
			})
		}
	}
	for _, k := range slices.Concat(atNetwork, pairsAtNetwork) {
		w.recur(k.perDay*intensity(), func() {
			long := w.lasting(k.shortest, k.longest)
			w.happened(k.name, "", uint64(long))
			w.reach("fault: " + k.name)
			w.troubled = max(w.troubled, w.now+long)
			w.until(long, k.begin(w, long))
		})
	}
}

// recur has something done again and again, so many times a day.
func (w *world) recur(perDay float64, do func()) {
	if perDay <= 0 {
		return
	}
	var next func()
	next = func() {
		w.after(time.Duration(w.chance.ExpFloat64()/perDay*float64(24*time.Hour)), func() {
			if !w.calm {
				do()
				next()
			}
		})
	}
	next()
}

// until ends a fault after a while, unless everything was put right before.
func (w *world) until(long time.Duration, end func()) {
	if end != nil {
		w.after(long, func() {
			if !w.calm {
				end()
			}
		})
	}
}

// lasting draws how long a fault lasts: as often short as long, by magnitude.
func (w *world) lasting(shortest, longest time.Duration) time.Duration {
	if longest <= shortest {
		return shortest
	}
	long := shortest
	for long < longest && w.chance.IntN(3) != 0 {
		long *= 4
	}
	return min(longest, long+time.Duration(w.chance.Int64N(int64(long)+1)))
}

// stopAgent is an orderly end, and a start.
func (d *device) stopAgent() {
	if !d.alive() {
		return
	}
	if d.onAirAt != 0 {
		d.world.reach("agent stopped during key-down")
	}
	d.agentStep(core.Stop{})
	run := d.agentRun
	d.world.after(2*time.Second, func() {
		if d.agentRun == run {
			d.killAgent()
		}
	})
}

// attend is an operator's visit, where local control needs one.
func (d *device) attend() {
	b := d.world.fleets[0].fleet.Beacon(d.name)
	local := false
	for _, use := range b.Bands {
		local = local || use.Control == fleet.Local
	}
	if !local || d.keyer == nil || !d.running() || d.chance.IntN(2) == 0 {
		return
	}
	long := time.Duration(d.chance.IntN(120)) * time.Minute
	d.world.reach("an operator is present")
	d.attended = d.world.now + long + time.Duration(100e-6*float64(long))
	d.keyerStep(keyer.Presence{By: "warden", For: long})
}

// misbehave lets whoever speaks to the keyer say what no agent should: old
// messages again, those of other beacons, broken ones, and permits of its own.
// What it says about the time is another fault: by that alone a keyer goes.
func (w *world) misbehave(d *device, going *bool) {
	if !*going || w.calm {
		return
	}
	w.after(time.Duration(d.chance.ExpFloat64()*float64(15*time.Second)), func() {
		if *going && !w.calm && d.keyer != nil && d.alive() {
			d.refresh()
			d.misspeak()
			d.drain()
		}
		w.misbehave(d, going)
	})
}

func (d *device) misspeak() {
	w := d.world
	from := d
	if d.chance.IntN(4) == 0 {
		from = w.devices[d.chance.IntN(len(w.devices))]
	}
	var old []*keyerv1.ToKeyer
	if kinds := slices.Sorted(maps.Keys(from.archive)); len(kinds) > 0 {
		old = from.archive[kinds[d.chance.IntN(len(kinds))]]
	}
	if d.chance.IntN(2) == 0 || len(old) == 0 {
		d.permitted(int64(slot.Standard.At(d.keyerClock())) + int64(d.chance.IntN(3)))
		return
	}
	w.reach("an old message again")
	d.tell(old[d.chance.IntN(len(old))])
}

// permitted gives the keyer a permit that is not the agent core's.
func (d *device) permitted(n int64) {
	if d.keyer == nil || d.stopped || !d.alive() {
		return
	}
	d.keyerStep(keyer.Tick{}) // by what was said of the time last
	held := number(d.world.oracle.of(d).current())
	d.world.reach("a permit that no agent gave")
	d.rogue[n] = true
	d.tell(&keyerv1.ToKeyer{Body: &keyerv1.ToKeyer_Permit{Permit: &keyerv1.Permit{
		Slot: n, Orders: &wirev1.OrdersNumber{Epoch: held.Epoch, Revision: held.Revision},
	}}})
	d.drain()
}

// spoil makes a plan wrong, as a planner might that has gone wrong.
func (w *world) spoil(p *plan.Plan) {
	if !w.badPlans {
		return
	}
	w.reach("a plan that is wrong")
	for i := range p.Transmissions {
		t := &p.Transmissions[i]
		switch w.chance.IntN(20) {
		case 0:
			t.FrequencyHz += 100 + float64(w.chance.IntN(3000))
		case 1:
			t.Message = plan.Extended
		}
	}
}

// changeFleet applies another fleet file.
func (w *world) changeFleet(version int) {
	if w.database.away || version == w.version {
		return
	}
	w.version, w.fleet = version, w.fleets[version].fleet
	w.reach("the fleet is changed")
	for _, c := range w.coordinators {
		if c.alive {
			c.soon(0, c.fleetChanged)
		}
	}
}

// hush gives one, and ends by its release.
func (w *world) hush(scope fleet.Scope) func() {
	c := w.coordinators[w.chance.IntN(len(w.coordinators))]
	if !c.alive || w.now < c.paused || w.database.epoch == 0 {
		return nil
	}
	beacons, ok := c.giveHush(scope)
	if !ok {
		return nil
	}
	w.reach("a hush")
	w.oracle.hushGiven(beacons, scope)
	index := len(w.database.hushes) - 1
	return func() { w.release(index) }
}

// release tries until it is done.
func (w *world) release(index int) {
	for _, c := range w.coordinators {
		if c.alive && w.now >= c.paused && c.releaseHush(index) {
			w.reach("a release")
			return
		}
	}
	w.after(10*time.Second, func() { w.release(index) })
}

func (w *world) someScope() fleet.Scope {
	f := w.fleet
	b := f.Beacons[w.chance.IntN(len(f.Beacons))]
	band := b.Bands[w.chance.IntN(len(b.Bands))].Band.Name
	return []fleet.Scope{
		{}, {Site: b.Site.Name}, {Beacon: b.Name}, {Band: band}, {Beacon: b.Name, Band: band},
	}[w.chance.IntN(5)]
}
