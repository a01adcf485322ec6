package sim

import (
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/slot"
)

// pairsAtDevices are faults of one beacon that harm together, and would seldom
// meet by chance.
var pairsAtDevices = []kind{
	{"out of reach, and then the keyer's disk fails", 0.5, 5 * time.Minute, 10 * time.Hour, func(w *world, d *device, _ time.Duration) func() {
		d.link.cut++
		d.link.stall()
		return func() {
			d.stateFails = true
			d.link.mend()
			w.until(time.Hour, func() { d.stateFails = false })
		}
	}},
	// Its lease is over, others have its slots, and it does not know.
	{"out of reach, and then its orders come late", 6, 4 * time.Minute, time.Hour, func(w *world, d *device, _ time.Duration) func() {
		if w.fleets[0].fleet.Beacon(d.name).Bands[0].Control != fleet.Remote {
			return nil
		}
		d.link.cut++
		d.link.stall()
		w.shift()
		return func() {
			d.link.late = time.Duration(1+w.chance.IntN(8)) * time.Minute
			d.link.mend()
			w.until(10*time.Minute, func() { d.link.late = 0 })
		}
	}},
	// The latest lease came late, and ends just when a transmission does.
	{"answers slow, and then out of reach", 6, 3 * time.Minute, 10 * time.Minute, func(w *world, d *device, _ time.Duration) func() {
		if w.fleets[0].fleet.Beacon(d.name).Bands[0].Control != fleet.Remote {
			return nil
		}
		const lasts = 180*time.Second - 5*time.Second // a lease, less what has to be left of it
		slow := time.Duration(5+d.chance.IntN(10)) * time.Second
		for _, t := range w.oracle.of(d).current().GetTransmissions() {
			cut := slot.Standard.Start(slot.Number(t.GetSlot())).Add(slot.Standard.Timing().End()).Sub(w.began) - lasts
			if cut > w.now+2*slow {
				d.link.slow = slow
				w.until(cut+time.Duration(d.chance.Int64N(int64(slow)))-w.now, func() {
					d.link.slow = 0
					d.link.cut++
					d.link.stall()
					w.until(3*time.Minute, d.link.mend)
				})
				break
			}
		}
		return nil
	}},
	// It goes on by its lease, and the other says to hold what is latest.
	{"out of reach, and a second device speaks for it", 0.25, 10 * time.Minute, 6 * time.Hour, func(w *world, d *device, long time.Duration) func() {
		if d.clone {
			return nil
		}
		d.link.cut++
		d.link.stall()
		off := d.doubled()
		w.until(5*time.Minute, w.shift)
		return func() {
			off()
			d.link.mend()
		}
	}},
	// The own clock, which would know better, begins anew.
	{"receiver lies, and then the agent starts anew", 4, 20 * time.Minute, 4 * time.Hour, func(_ *world, d *device, _ time.Duration) func() {
		if d.source.judge == nil {
			return nil
		}
		d.source.label = time.Duration(1+d.chance.IntN(2)) * time.Second
		if d.chance.IntN(2) == 0 {
			d.source.label = -d.source.label
		}
		d.source.coarse = true
		d.killAgent()
		return func() { d.source.label, d.source.coarse = 0, false }
	}},
}

// pairsAtNetwork are those of everybody.
var pairsAtNetwork = []networkKind{
	// Some have the new orders and some the old, and nobody can say which.
	{"cut off while new orders are on their way", 2, 10 * time.Minute, 6 * time.Hour, func(w *world, _ time.Duration) func() {
		var cut []*device
		ended := false
		w.shift()
		w.onceOrdered(func() {
			for _, d := range w.devices {
				if !ended && w.chance.IntN(2) == 0 {
					cut = append(cut, d)
					d.link.cut++
					d.link.stall()
				}
			}
		})
		return func() {
			ended = true
			for _, d := range cut {
				d.link.mend()
			}
		}
	}},
}

// shift applies a fleet file by which slots change hands, where there is one.
func (w *world) shift() {
	version := othersMore
	if w.version == othersMore {
		version = firstMore
	}
	w.changeFleet(min(version, len(w.fleets)-1))
}

// onceOrdered has something done when the next orders are on their way, if that
// is within a minute.
func (w *world) onceOrdered(do func()) {
	written, end := len(w.oracle.issued), w.now+time.Minute
	var look func()
	look = func() {
		switch {
		case len(w.oracle.issued) > written:
			w.until(time.Duration(w.chance.IntN(300))*time.Millisecond, do)
		case w.now < end:
			w.until(20*time.Millisecond, look)
		}
	}
	look()
}

// doubled switches a second device on that has this one's identity.
func (d *device) doubled() (off func()) {
	w := d.world
	second := w.newDevice(d.name, d.name+" (second device)", uint64(len(w.devices)))
	second.source.judge = nil
	w.devices = append(w.devices, second)
	w.reach("a second device")
	second.powerOn()
	return second.powerOff
}
