package report

import (
	"fmt"
	"io"
	"time"

	ics "github.com/arran4/golang-ical"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
)

// Calendar writes the transmissions of a plan as a calendar (RFC 5545), of the
// beacons in a scope. A transmission keeps its UID when the plan is made anew.
// binding is when the orders that are out by now end: what is later may change.
func Calendar(w io.Writer, f *fleet.Fleet, p *plan.Plan, scope fleet.Scope, made, binding time.Time) error {
	calendar := ics.NewCalendarFor("Lamplighter")
	calendar.SetMethod(ics.MethodPublish)
	name := f.Network.Name
	if text := scopeText(scope); text != "" {
		name += ", " + text
	}
	calendar.SetXWRCalName(name + ": transmissions")
	for _, t := range p.Transmissions {
		b := f.Beacon(t.Beacon)
		if b == nil || !covers(scope, b) {
			continue
		}
		event := calendar.AddEvent(fmt.Sprintf("%d-%s@%s.lamplighter", f.Network.Slot.At(t.Start), b.Name, f.Network.ID))
		event.SetDtStampTime(made)
		event.SetStartAt(t.Start)
		event.SetEndAt(t.Start.Add(f.Network.Slot.Duration()))
		event.SetSummary(fmt.Sprintf("%s on %s", b.Callsign, t.Band))
		event.SetLocation(b.Site.Name + ", " + b.Site.Locator.String())
		description := fmt.Sprintf("%s, %.4f MHz", b.Name, t.FrequencyHz/1e6)
		if !t.Start.Before(binding) {
			description += "; may change"
			event.SetStatus(ics.ObjectStatusTentative)
		}
		event.SetDescription(description)
		event.SetTimeTransparency(ics.TransparencyTransparent)
	}
	return calendar.SerializeTo(w)
}
