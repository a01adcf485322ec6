package rollup

import (
	"slices"
	"time"
)

// Day is what is kept of a UTC day of a beacon: the sum of its hours.
type Day struct {
	Beacon  string
	Day     time.Time // UTC midnight
	Samples int

	Heard, Ready, Locked, Holdover, OnAir int // minutes

	Clock     Histogram
	Worst     Worst
	Frequency Histogram
	Slots     []SlotCount
}

// Add takes an hour of the day into account.
func (d *Day) Add(h Hour) {
	d.Samples += h.Samples
	d.Heard += h.Heard.Count()
	d.Ready += h.Ready.Count()
	d.Locked += h.Locked.Count()
	d.Holdover += h.Holdover.Count()
	d.OnAir += h.OnAir.Count()
	d.Clock.Add(h.Clock)
	d.Frequency.Add(h.Frequency)
	d.Worst.add(h.Worst)
	d.Slots = sum(slices.Concat(d.Slots, h.Slots))
}
