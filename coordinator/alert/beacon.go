package alert

import (
	"fmt"
	"time"

	"lamplighter/coordinator/fleet"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

const (
	silentAboveNs = int64(500 * time.Millisecond) // above this no beacon transmits
	staleAfter    = Lost                          // what a beacon said of itself before counts for nothing
	slotGrace     = 15 * time.Second              // after a slot's end, for word of it to arrive
)

// expected are the reasons for being mute that are nobody's fault, or have a
// condition of their own.
var expected = map[string]bool{
	"": true, "hushed": true, "operator_absent": true, "stopped": true, "update_needed": true,
	"keyer_tripped": true, "clock_unsure": true, "clock_unknown": true, "frequency_unsure": true, "frequency_unknown": true,
}

// beacon looks at one beacon.
func (l *looker) beacon(b *fleet.Beacon) {
	known, site, name := l.o.Beacons[b.Name], b.Site.Name, b.Name
	l.ends(b, known)
	if s := known.OffPlan; s != nil {
		l.add(OffPlan, site, name, fmt.Sprintf("Beacon %s at %s reports a transmission on %s at %.1f Hz at %s that none of its orders covers.", name, site, s.Band, s.Hz, clock(s.At)))
	}
	if h := known.HeardOff; h != nil && known.OffPlan == nil {
		l.add(OffPlan, site, name, fmt.Sprintf("%s heard %s on %s at %.1f Hz in the slot that began at %s, and none of the orders of beacon %s at %s covers that, nor does it report it: it transmits unknown to its agent, or somebody else uses its call sign.",
			listeners(h.Receivers), h.Callsign, h.Band, h.Hz, clock(h.At), name, site))
	}
	switch {
	case known.Cloned != "":
		l.add(IdentityTwice, site, name, fmt.Sprintf("Beacon %s at %s: %s", name, site, known.Cloned))
	case !known.Conflict.IsZero():
		l.add(IdentityTwice, site, name, fmt.Sprintf("Two different records came under the same number of beacon %s at %s, last at %s: two devices speak in its name, or its disk forgot.", name, site, clock(known.Conflict)))
	}
	if known.MissingFrom > 0 {
		l.add(RecordsMissing, site, name, fmt.Sprintf("%d records of beacon %s at %s are missing.", known.MissingFrom, name, site))
	}
	if _, dark := l.dark[site]; dark {
		return
	}
	l.orders(b, known)
	l.longer(b, known)
	if known.Health != nil && l.now.Sub(known.HealthAt) < staleAfter {
		l.time(b, known)
		l.keying(b, known)
		l.box(b, known.Health)
	} else {
		l.found.blind[name] = true
	}
}

func (l *looker) orders(b *fleet.Beacon, known Beacon) {
	site, name := b.Site.Name, b.Name
	if since := known.OrdersSince; !since.IsZero() && l.unheardFor(name) < Late {
		l.add(OrdersUnconfirmed, site, name, fmt.Sprintf("Beacon %s at %s has not confirmed the orders of %s, %s ago.", name, site, clock(since), span(l.now.Sub(since))))
	}
	// Renewal is due long before two thirds of a lease are over.
	if left, whole := known.LeaseUntil.Sub(l.now), known.LeaseUntil.Sub(known.LeaseGranted); left > 0 && 3*left < whole {
		l.add(LeaseShort, site, name, fmt.Sprintf("The lease of beacon %s at %s ends at %s, in %s; then it is silent.", name, site, clock(known.LeaseUntil), span(left)))
	}
	if limit := b.Limits.MissedSlots; limit > 0 && known.Missed >= limit {
		l.add(SlotsMissed, site, name, fmt.Sprintf("Beacon %s at %s has not sent its last %d ordered slots; the latest reason is %s.", name, site, known.Missed, known.MissedReason))
	}
}

// time looks at clock and frequency.
func (l *looker) time(b *fleet.Beacon, known Beacon) {
	site, name, h := b.Site.Name, b.Name, known.Health
	if lock := h.GetLock(); lock == wirev1.Lock_LOCK_HOLDOVER || lock == wirev1.Lock_LOCK_NONE {
		since := "since before it was first heard"
		if h.LockSinceUnixMs != nil {
			since = "since " + clock(time.UnixMilli(h.GetLockSinceUnixMs()))
		}
		l.add(GPSLost, site, name, fmt.Sprintf("Beacon %s at %s has no GPS lock %s. %s", name, site, since, l.silence(known)))
	}
	if h.ClockErrorBoundNs != nil {
		switch bound := h.GetClockErrorBoundNs(); {
		case bound > silentAboveNs:
			l.add(ClockBeyond, site, name, fmt.Sprintf("The clock of beacon %s at %s may be %s wrong; above 500 ms it is silent.", name, site, milliseconds(bound)))
		case bound > int64(b.Limits.ClockWarning):
			l.add(ClockError, site, name, fmt.Sprintf("The clock of beacon %s at %s may be %s wrong. %s", name, site, milliseconds(bound), l.silence(known)))
		}
	}
	if planned := b.Uncertainty.Float64() * 1000; h.FrequencyUncertaintyPpb != nil && h.GetFrequencyUncertaintyPpb() > planned {
		l.add(FrequencyError, site, name, fmt.Sprintf("The frequency of beacon %s at %s may be %.3g ppb off; its plan counts on %.3g ppb, and above that it is silent.", name, site, h.GetFrequencyUncertaintyPpb(), planned))
	}
}

// silence says how long a beacon without a source of time goes on.
func (l *looker) silence(known Beacon) string {
	if h := known.Health; h.SilentInSeconds != nil {
		at := known.HealthAt.Add(time.Duration(min(h.GetSilentInSeconds(), 1<<31)) * time.Second)
		if left := at.Sub(l.now); left > 0 {
			return fmt.Sprintf("Without it, it falls silent in %s, at %s.", span(left), clock(at))
		}
		return "It is silent by now."
	}
	return "It does not say how long it can go on without."
}

func (l *looker) keying(b *fleet.Beacon, known Beacon) {
	site, name, h := b.Site.Name, b.Name, known.Health
	length := l.o.Fleet.Network.Slot
	if h.GetOnAir() && h.GetSlot() > 0 && h.GetSlot() < 1<<40 {
		if end := time.Unix((h.GetSlot()+1)*int64(length), 0); known.HealthAt.After(end.Add(slotGrace)) {
			l.add(KeyStuck, site, name, fmt.Sprintf("Beacon %s at %s says that it is still keyed, on %s, for a slot that ended at %s.", name, site, h.GetBand(), clock(end)))
		}
	}
	switch reason := h.GetMuteReason(); {
	case reason == "keyer_tripped":
		l.add(KeyerTripped, site, name, fmt.Sprintf("The keyer of beacon %s at %s has tripped and stays silent until somebody re-arms it.", name, site))
	case reason == "update_needed":
		l.add(ProgramOld, site, name, fmt.Sprintf("The agent of beacon %s at %s (version %.40s) can't read its orders.", name, site, h.GetVersion()))
	case !expected[reason]:
		l.add(Mute, site, name, fmt.Sprintf("Beacon %s at %s would not transmit now: %.80s.", name, site, reason))
	}
}

// box looks at what surrounds a transmitter.
func (l *looker) box(b *fleet.Beacon, h *wirev1.Health) {
	site, name, limits := b.Site.Name, b.Name, b.Limits
	if volts := h.SupplyVolts; volts != nil && (limits.SupplyLow != nil && *volts < *limits.SupplyLow || limits.SupplyHigh != nil && *volts > *limits.SupplyHigh) {
		l.add(SupplyOut, site, name, fmt.Sprintf("The supply of beacon %s at %s is at %.2f V.", name, site, *volts))
	}
	if t := h.TemperatureCelsius; t != nil && limits.TemperatureHot != nil && *t > *limits.TemperatureHot {
		l.add(TooHot, site, name, fmt.Sprintf("Beacon %s at %s is at %.1f degrees Celsius; its limit is %.1f.", name, site, *t, *limits.TemperatureHot))
	}
	if forward, back := h.GetForwardWatts(), h.ReflectedWatts; back != nil && limits.Reflected != nil && forward > 0 && *back*100 > *limits.Reflected*forward {
		l.add(ReflectedHigh, site, name, fmt.Sprintf("Of %.2f W that beacon %s at %s sends to its antenna, %.2f W come back.", forward, name, site, *back))
	}
	if limit := limits.OutboxRecords; limit > 0 && h.GetOutboxRecords() > uint64(limit) {
		l.add(OutboxFull, site, name, fmt.Sprintf("Beacon %s at %s holds %d records that nobody has taken.", name, site, h.GetOutboxRecords()))
	}
}
