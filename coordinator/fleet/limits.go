package fleet

import (
	"strconv"
	"time"
)

// Limits are figures beyond which somebody is told: the network's, a site's own
// in their place, and a beacon's own in theirs. Nil: never.
type Limits struct {
	ClockWarning   time.Duration // clock error bound; it is silent above 500 ms whatever stands here
	SupplyLow      *float64      // volts
	SupplyHigh     *float64      // volts
	SupplyEmpty    *float64      // volts, at which a battery is cut off and the beacon falls silent
	TemperatureHot *float64      // Celsius
	Reflected      *float64      // percent of the forward power
	OutboxRecords  int
	MissedSlots    int           // in a row
	GPSLost        time.Duration // how long lock is lost before it is told
	GPSBack        time.Duration // how long it is back before that is over
}

// defaultLimits are those of a network that states none. The clock's is a
// fifth of the bound above which a beacon is silent.
func defaultLimits() Limits {
	return Limits{
		ClockWarning: 100 * time.Millisecond, OutboxRecords: 5000, MissedSlots: 5,
		GPSLost: 60 * time.Second, GPSBack: 300 * time.Second,
	}
}

// limits reads what is stated and leaves the rest as it is.
func (r *reader) limits(v value, into *Limits) {
	o, ok := r.object(v, "limits", "clock_warning_ms", "supply_low_volts", "supply_high_volts", "supply_empty_volts",
		"temperature_high_celsius", "reflected_percent", "outbox_records", "missed_slots", "gps_lost_seconds", "gps_back_seconds")
	if !ok {
		return
	}
	o.span("clock_warning_ms", time.Millisecond, 1, 500, &into.ClockWarning)
	o.span("gps_lost_seconds", time.Second, 10, 3600, &into.GPSLost)
	o.span("gps_back_seconds", time.Second, 10, 86_400, &into.GPSBack)
	o.figure("supply_low_volts", 1000, &into.SupplyLow)
	o.figure("supply_high_volts", 1000, &into.SupplyHigh)
	o.figure("supply_empty_volts", 1000, &into.SupplyEmpty)
	o.figure("temperature_high_celsius", 200, &into.TemperatureHot)
	o.figure("reflected_percent", 100, &into.Reflected)
	o.integer("outbox_records", 100, 10_000_000, &into.OutboxRecords)
	o.integer("missed_slots", 1, 720, &into.MissedSlots)
	if into.SupplyLow != nil && into.SupplyHigh != nil && *into.SupplyLow >= *into.SupplyHigh {
		r.add(o.at, o.path(), "supply_low_volts must be less than supply_high_volts")
	}
}

// span reads a whole number of units of time.
func (o *object) span(key string, unit time.Duration, low, high int64, into *time.Duration) {
	units := int(*into / unit)
	o.integer(key, low, high, &units)
	*into = time.Duration(units) * unit
}

// facts are the limits that differ from those of what is around.
func (l *Limits) facts(around *Limits) []fact {
	var facts []fact
	add := func(key string, own, other string) {
		if own != other {
			facts = append(facts, fact{key, own})
		}
	}
	figure := func(v *float64) string {
		if v == nil {
			return "none"
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	add("limit of the clock", l.ClockWarning.String(), around.ClockWarning.String())
	add("limit of low supply", figure(l.SupplyLow), figure(around.SupplyLow))
	add("limit of high supply", figure(l.SupplyHigh), figure(around.SupplyHigh))
	add("limit of empty supply", figure(l.SupplyEmpty), figure(around.SupplyEmpty))
	add("limit of temperature", figure(l.TemperatureHot), figure(around.TemperatureHot))
	add("limit of reflected power", figure(l.Reflected), figure(around.Reflected))
	add("limit of the outbox", strconv.Itoa(l.OutboxRecords), strconv.Itoa(around.OutboxRecords))
	add("limit of missed slots", strconv.Itoa(l.MissedSlots), strconv.Itoa(around.MissedSlots))
	add("limit of lost GPS", l.GPSLost.String(), around.GPSLost.String())
	add("limit of GPS that is back", l.GPSBack.String(), around.GPSBack.String())
	return facts
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
