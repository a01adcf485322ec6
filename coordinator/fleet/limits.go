package fleet

import "time"

// Limits are figures beyond which somebody is told: the network's, a site's own
// in their place, and a beacon's own in theirs. Nil: never.
type Limits struct {
	ClockWarning   time.Duration // clock error bound; it is silent above 500 ms whatever stands here
	SupplyLow      *float64      // volts
	SupplyHigh     *float64      // volts
	TemperatureHot *float64      // Celsius
	Reflected      *float64      // percent of the forward power
	OutboxRecords  int
	MissedSlots    int // in a row
}

// defaultLimits are those of a network that states none. The clock's is a
// fifth of the bound above which a beacon is silent.
func defaultLimits() Limits {
	return Limits{ClockWarning: 100 * time.Millisecond, OutboxRecords: 5000, MissedSlots: 5}
}

// limits reads what is stated and leaves the rest as it is.
func (r *reader) limits(v value, into *Limits) {
	o, ok := r.object(v, "limits", "clock_warning_ms", "supply_low_volts", "supply_high_volts",
		"temperature_high_celsius", "reflected_percent", "outbox_records", "missed_slots")
	if !ok {
		return
	}
	milliseconds := int(into.ClockWarning / time.Millisecond)
	o.integer("clock_warning_ms", 1, 500, &milliseconds)
	into.ClockWarning = time.Duration(milliseconds) * time.Millisecond
	o.figure("supply_low_volts", 1000, &into.SupplyLow)
	o.figure("supply_high_volts", 1000, &into.SupplyHigh)
	o.figure("temperature_high_celsius", 200, &into.TemperatureHot)
	o.figure("reflected_percent", 100, &into.Reflected)
	o.integer("outbox_records", 100, 10_000_000, &into.OutboxRecords)
	o.integer("missed_slots", 1, 720, &into.MissedSlots)
	if into.SupplyLow != nil && into.SupplyHigh != nil && *into.SupplyLow >= *into.SupplyHigh {
		r.add(o.at, o.path, "supply_low_volts must be less than supply_high_volts")
	}
}

// figure reads a number from 0 up to high.
func (o *object) figure(key string, high int64, into **float64) {
	o.optional(key, func(v value) {
		if d, ok := o.r.decimal(v, false, high); ok {
			f := d.Float64()
			*into = &f
		}
	})
}

// completeLimits gives each site and beacon the limits that hold there.
func (r *reader) completeLimits(f *Fleet) {
	for _, s := range f.Sites {
		s.Limits = f.Alerts.Limits
		if own, ok := r.siteLimits[s]; ok {
			r.limits(own, &s.Limits)
		}
	}
	for _, b := range f.Beacons {
		if b.Site == nil {
			continue
		}
		b.Limits = b.Site.Limits
		if own, ok := r.beaconLimits[b]; ok {
			r.limits(own, &b.Limits)
		}
	}
}
