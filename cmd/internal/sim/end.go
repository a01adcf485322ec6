package sim

import (
	"fmt"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/onair/slot"
)

// hushGiven is told of each hush when it is stored. S6: on a live link it is
// silent within 5 s.
func (o *oracle) hushGiven(beacons []string, scope fleet.Scope) {
	for _, c := range o.onAir {
		d := c.device
		if !slices.Contains(beacons, d.name) || scope.Band != "" && scope.Band != c.ordered.GetBand() || !o.live(d) {
			continue
		}
		number := d.link.number
		o.world.after(5*time.Second, func() {
			if c.off == 0 && !c.beyond && d.link.number == number && o.live(d) {
				o.violated("S6", d.label, "on the air 5 s after it was hushed, and its link is live")
			}
		})
	}
}

// live says whether messages pass as they should.
func (o *oracle) live(d *device) bool {
	w := o.world
	return d.link.isUp && !d.link.half && w.broker.up && w.mix.reorder == 0 && w.slow == 0 && d.link.slow == 0 && d.diskSlow == 0
}

// judgeEnd judges what faults that have ended must leave behind: a fleet that
// works, and records of all that was keyed.
func (o *oracle) judgeEnd() {
	for _, d := range o.world.devices {
		if !d.clone {
			o.judgeLife(d)
		}
	}
	o.judgeRecords()
}

// judgeLife asks whether a beacon is back at work.
func (o *oracle) judgeLife(d *device) {
	w := o.world
	f := w.fleet
	b := f.Beacon(d.name)
	switch {
	case b == nil:
		return
	case !d.link.isUp:
		o.violated("L", d.label, "has no link")
		return
	case d.tripped != "":
		o.violated("L", d.label, "is tripped: %s", d.tripped)
		return
	case d.agent == nil || d.keyer == nil:
		o.violated("L", d.label, "does not run")
		return
	}
	held := o.of(d).current()
	soon := int64(slot.Standard.At(w.time())) + 2
	if held == nil || held.GetToSlot() < soon {
		o.violated("L", d.label, "has orders to slot %d, and it is slot %d", held.GetToSlot(), soon-2)
	}
	for _, use := range b.Bands {
		if end := o.leaseEnd(d, wireControl(use.Control)); end < w.now+time.Minute {
			o.violated("L", d.label, "has no lease for %s control", use.Control)
		}
	}
	if n := len(d.outbox.records); n > 20 {
		o.violated("L", d.label, "has %d records that nobody fetched", n)
	}
	wanted, sent := 0, 0
	from := int64(slot.Standard.At(w.time().Add(-20 * time.Minute)))
	for _, t := range held.GetTransmissions() {
		if t.GetSlot() >= from && t.GetSlot() < soon-3 && t.GetControl() != wirev1.Control_CONTROL_LOCAL {
			wanted++
		}
	}
	for i := len(o.carriers) - 1; i >= 0 && o.carriers[i].on > w.now-25*time.Minute; i-- {
		if c := o.carriers[i]; c.device == d && c.complete {
			sent++
		}
	}
	if wanted >= 2 && sent == 0 {
		o.violated("L", d.label, "sent none of %d transmissions in the last 20 minutes: %s; %s", wanted, d.agent.Status(), o.lately(d.name, from))
	}
}

// lately says how the latest slots of a beacon ended.
func (o *oracle) lately(beacon string, from int64) string {
	said := ""
	for _, e := range o.world.database.ledger {
		if t := e.outcome.GetTransmission(); e.beacon == beacon && t.GetSlot() >= from {
			said += fmt.Sprintf(" %d %s", t.GetSlot(), e.outcome.GetReason())
		}
	}
	return said
}

func wireControl(c fleet.Control) wirev1.Control {
	return map[fleet.Control]wirev1.Control{
		fleet.Local: wirev1.Control_CONTROL_LOCAL, fleet.Remote: wirev1.Control_CONTROL_REMOTE, fleet.Automatic: wirev1.Control_CONTROL_AUTOMATIC,
	}[c]
}

type slotOf struct {
	beacon string
	slot   int64
}

// judgeRecords compares what was recorded with what was really keyed: S14.
func (o *oracle) judgeRecords() {
	w := o.world
	outcomes := map[slotOf][]*wirev1.Outcome{}
	for _, e := range w.database.ledger {
		key := slotOf{e.beacon, e.outcome.GetTransmission().GetSlot()}
		outcomes[key] = append(outcomes[key], e.outcome)
	}
	settled := w.now - 10*time.Minute
	cloned := map[string]bool{}
	for _, d := range w.devices {
		cloned[d.name] = cloned[d.name] || d.clone
	}
	keyed := map[slotOf]*carrier{}
	for _, c := range o.carriers {
		key := slotOf{c.device.name, c.slot}
		keyed[key] = c
		if cloned[c.device.name] || c.device.rogue[c.slot] || c.on > settled {
			continue
		}
		list := outcomes[key]
		switch {
		case len(list) == 0:
			o.violated("S14", c.device.label, "keyed in slot %d, and nobody recorded it", c.slot)
		case len(list) > 1:
			o.violated("S14", c.device.label, "slot %d has %d outcomes", c.slot, len(list))
		case list[0].GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SKIPPED:
			o.violated("S14", c.device.label, "keyed in slot %d, and recorded as skipped: %s", c.slot, list[0].GetReason())
		case list[0].GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SENT && !c.complete:
			o.violated("S14", c.device.label, "slot %d is recorded as sent, and was broken off", c.slot)
		case list[0].KeyedUnixUs != nil && abs(list[0].GetKeyedUnixUs()-c.keyedUs) > 1000:
			o.violated("S14", c.device.label, "slot %d is recorded as keyed %d µs beside the truth", c.slot, list[0].GetKeyedUnixUs()-c.keyedUs)
		}
	}
	for _, e := range w.database.ledger {
		key := slotOf{e.beacon, e.outcome.GetTransmission().GetSlot()}
		if e.outcome.GetKind() == wirev1.OutcomeKind_OUTCOME_KIND_SENT && keyed[key] == nil {
			o.violated("S14", e.beacon, "slot %d is recorded as sent, and was never keyed", key.slot)
		}
		if !cloned[e.beacon] && len(outcomes[key]) > 1 && keyed[key] == nil {
			o.violated("S14", e.beacon, "slot %d has %d outcomes", key.slot, len(outcomes[key]))
			outcomes[key] = outcomes[key][:1]
		}
	}
}

func abs(n int64) int64 { return max(n, -n) }

// result gathers what each beacon did.
func (w *world) result() Result {
	r := Result{Violations: w.oracle.violations, Reached: w.reached, Trace: uint64(w.trace), Orders: len(w.oracle.issued)}
	planned := w.oracle.planned()
	for _, b := range w.fleets[0].fleet.Beacons {
		one := Beacon{Name: b.Name, Planned: planned[b.Name], Skipped: map[string]int{}}
		for _, e := range w.database.ledger {
			if e.beacon != b.Name {
				continue
			}
			switch e.outcome.GetKind() {
			case wirev1.OutcomeKind_OUTCOME_KIND_SENT:
				one.Sent++
			case wirev1.OutcomeKind_OUTCOME_KIND_ABORTED:
				one.Aborted++
			default:
				one.Skipped[e.outcome.GetReason()]++
			}
		}
		last := time.Duration(0)
		for _, c := range w.oracle.carriers {
			if c.device.name == b.Name && !c.device.clone {
				one.OnAir++
				one.LongestSilence = max(one.LongestSilence, c.on-last)
				last = c.off
			}
		}
		one.LongestSilence = max(one.LongestSilence, w.now-last)
		r.Beacons = append(r.Beacons, one)
	}
	return r
}

// planned counts the slots that stood in each beacon's latest orders when they
// began.
func (o *oracle) planned() map[string]int {
	byBeacon := map[string][]*wirev1.Orders{}
	for _, issued := range o.issued {
		name := issued.orders.GetBeacon()
		byBeacon[name] = append(byBeacon[name], issued.orders)
	}
	count := map[string]int{}
	now := o.world.time().UnixMilli()
	for name, list := range byBeacon {
		slices.SortFunc(list, func(a, b *wirev1.Orders) int { return number(a).Compare(number(b)) })
		for i, orders := range list {
			until := now
			if i+1 < len(list) {
				until = list[i+1].GetIssuedUnixMs()
			}
			for _, t := range orders.GetTransmissions() {
				if at := slot.Standard.Start(slot.Number(t.GetSlot())).UnixMilli(); at >= orders.GetIssuedUnixMs() && at < until {
					count[name]++
				}
			}
		}
	}
	return count
}
