package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
)

// Event is what a message tells of an alert.
type Event string

// The events.
const (
	Began   Event = "began"          // it was raised
	Urgent  Event = "more_urgent"    // it is a step nearer
	Wavers  Event = "comes_and_goes" // it is unsteady
	Over    Event = "over"           // it was cleared
	Trial   Event = "trial"          // nothing is wrong: somebody tries whether messages arrive
	OnDuty  Event = "duty"           // nothing is wrong: a person is asked to take duty
	noEvent Event = ""
)

// Message is one thing that one recipient is to hear.
type Message struct {
	Alert     *Alert // nil: a trial, or duty
	Recipient string // of the fleet file; where What is OnDuty, a person with an account
	What      Event
	Subject   string
	Text      string
}

// Tell gives the messages that are due, and notes that they were given. Store
// the alerts of the messages, and the messages, together.
func (m *Memory) Tell(f *fleet.Fleet, now time.Time) []Message {
	var messages []Message
	for _, a := range m.Alerts() {
		if !a.tellable() {
			continue
		}
		for i := range f.Alerts.Recipients {
			to := &f.Alerts.Recipients[i]
			if what := a.due(to, now); what != noEvent {
				messages = append(messages, a.message(f, to, what))
				heard := a.Heard[to.Name]
				a.Heard[to.Name] = Heard{what, a.Step, append(recent(heard.At, now, tellIn), now)}
			}
		}
		for name := range a.Heard { // who left the fleet file hears no end
			if !slices.ContainsFunc(f.Alerts.Recipients, func(to fleet.Recipient) bool { return to.Name == name }) {
				delete(a.Heard, name)
			}
		}
	}
	return messages
}

// tellable says whether anybody might have to hear of the alert.
func (a *Alert) tellable() bool {
	if a.State.Open() {
		return true
	}
	for _, heard := range a.Heard {
		if heard.What != Over {
			return true
		}
	}
	return false
}

// due says what a recipient has to hear now.
func (a *Alert) due(to *fleet.Recipient, now time.Time) Event {
	heard := a.Heard[to.Name]
	hears := heard.What != noEvent && heard.What != Over
	if a.HiddenBy != "" || a.Silenced || now.Before(a.Until) || len(recent(heard.At, now, tellIn)) >= tellMost {
		return noEvent
	}
	switch {
	case a.State == Cleared && hears:
		return Over
	case !a.State.Open():
		return noEvent
	case a.State == Unsteady && heard.What != Wavers && (hears || a.routed(to, now)):
		return Wavers
	case a.State == Unsteady:
		return noEvent
	case !hears && a.Bad && a.routed(to, now): // what is ending is not begun with any more
		return Began
	case hears && a.Step > heard.Step:
		return Urgent
	}
	return noEvent
}

// routed says whether one of a recipient's routes brings the alert now.
func (a *Alert) routed(to *fleet.Recipient, now time.Time) bool {
	if len(to.Routes) == 0 {
		return true
	}
	return slices.ContainsFunc(to.Routes, func(r fleet.Route) bool {
		inTime := now.Sub(a.RaisedAt) >= r.After && (r.After == 0 || a.At.IsZero())
		here := len(r.Sites) == 0 || slices.Contains(r.Sites, a.Site)
		return here && inTime && byCode[a.Code].Severity.AtLeast(Severity(r.Severity)) && within(r, now.In(to.Zone))
	})
}

// within says whether a route holds at a time of day. From 22:00 to 06:00 is
// over midnight.
func within(r fleet.Route, local time.Time) bool {
	at := time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute
	switch {
	case r.From == r.To:
		return true
	case r.From < r.To:
		return r.From <= at && at < r.To
	}
	return r.From <= at || at < r.To
}

// message puts an event into words.
func (a *Alert) message(f *fleet.Fleet, to *fleet.Recipient, what Event) Message {
	condition := byCode[a.Code]
	place := f.Network.Name
	switch {
	case a.Beacon != "":
		place = a.Beacon + " at " + a.Site
	case a.Site != "":
		place = a.Site
	}
	subject, lines := fmt.Sprintf("%s: %s", place, condition.Title), []string{a.Sentence}
	switch what {
	case Over:
		subject = fmt.Sprintf("%s: over: %s", place, condition.Title)
		lines = []string{fmt.Sprintf("This is over: it was so from %s and has not been so since %s.", clock(a.Since), clock(a.Changed)), "It was: " + a.Sentence}
	case Wavers:
		subject = fmt.Sprintf("%s: comes and goes: %s", place, condition.Title)
		lines = append(lines, fmt.Sprintf("It began %d times within an hour. You hear of it again once it has kept still for %s.", len(a.Begins), span(steadyAfter)))
	}
	if what != Over {
		lines = append(lines, "What to do: "+strings.ReplaceAll(condition.Advice, "NAME", a.Beacon))
		if a.State == Acknowledged {
			lines = append(lines, fmt.Sprintf("%s looks after it: %s", a.By, a.Why))
		}
	}
	return Message{Alert: a, Recipient: to.Name, What: what, Subject: subject, Text: strings.Join(lines, "\n\n") + "\n"}
}

// TrialMessage is a message that says that it is only a trial.
func TrialMessage(f *fleet.Fleet, recipient, by, reason string) Message {
	return Message{
		Recipient: recipient, What: Trial, Subject: f.Network.Name + ": trial of alerts",
		Text: fmt.Sprintf("Nothing is wrong. %s tries whether messages of alerts arrive: %s\n", by, reason),
	}
}
