package fleet

import (
	"fmt"
	"slices"
	"time"

	"lamplighter/coordinator/zone"
)

// Alerts says who hears of what is wrong.
type Alerts struct {
	Limits     Limits
	Recipients []Recipient
}

// Recipient is a person or a program that hears of alerts, in exactly one way.
// Passwords and keys stand in no fleet file: Webhook and Service are names that
// the coordinator's own delivery file explains.
type Recipient struct {
	Name    string
	Mail    string // address
	Webhook string // name
	Service string // name of a chat or push service
	Topic   bool   // the network's MQTT topic of alerts
	Zone    *time.Location
	Routes  []Route // none: everything, at any hour
}

// Route is a kind of alert that a recipient hears of.
type Route struct {
	Severity string        // at least: notice, warning, safety
	Sites    []string      // none: all, and what concerns the whole network
	From, To time.Duration // since midnight in the recipient's zone; equal: at any hour
	After    time.Duration // only if nobody has acknowledged it by then
}

// Dark is a time in which a site is switched off on purpose.
type Dark struct {
	Site     string
	From, To time.Time // UTC
	Reason   string
}

const mostRecipients = 100

func (r *reader) alerts(v value, a *Alerts) {
	o, ok := r.object(v, "alerts", "limits", "recipients")
	if !ok {
		return
	}
	o.optional("limits", func(v value) { r.limits(v, &a.Limits) })
	o.optional("recipients", func(v value) {
		for _, entry := range r.entries(v, mostRecipients) {
			if recipient, ok := r.recipient(entry); ok {
				if slices.ContainsFunc(a.Recipients, func(other Recipient) bool { return other.Name == recipient.Name }) {
					r.wrong(entry, "has the name %q of another recipient: give each its own", recipient.Name)
				}
				a.Recipients = append(a.Recipients, recipient)
			}
		}
	})
}

func (r *reader) recipient(v value) (Recipient, bool) {
	to := Recipient{Zone: time.UTC}
	o, ok := r.object(v, "a recipient", "name", "mail", "webhook", "service", "topic", "time_zone", "routes")
	if !ok {
		return to, false
	}
	ways := 0
	o.required("name", func(v value) { to.Name, _ = r.identifier(v) })
	o.optional("mail", func(v value) { to.Mail, _ = r.text(v, 254); ways++ })
	o.optional("webhook", func(v value) { to.Webhook, _ = r.identifier(v); ways++ })
	o.optional("service", func(v value) { to.Service, _ = r.identifier(v); ways++ })
	o.optional("topic", func(v value) {
		if is, ok := r.boolean(v); ok && is {
			to.Topic = true
			ways++
		}
	})
	if ways != 1 {
		r.add(o.at, o.path(), "a recipient is reached in exactly one way: mail, webhook, service or topic: true")
	}
	o.optional("time_zone", func(v value) {
		if name, ok := r.text(v, 64); ok {
			if to.Zone = r.zone(name); to.Zone == nil {
				_, err := zone.Load(name)
				r.add(v.at, v.path(), "%v", err)
			}
		}
	})
	o.optional("routes", func(v value) {
		for _, entry := range r.entries(v, mostEntries) {
			if route, ok := r.route(entry); ok {
				to.Routes = append(to.Routes, route)
			}
		}
	})
	return to, true
}

func (r *reader) route(v value) (Route, bool) {
	route := Route{Severity: "notice"}
	o, ok := r.object(v, "a route", "severity", "sites", "hours", "after_minutes")
	if !ok {
		return route, false
	}
	o.optional("severity", func(v value) { route.Severity = r.word(v, "notice", "warning", "safety") })
	o.optional("sites", func(v value) {
		for _, entry := range r.entries(v, mostEntries) {
			if site := reference(r, entry, "site", r.named.sites); site != nil {
				route.Sites = append(route.Sites, site.Name)
			}
		}
	})
	o.optional("hours", func(v value) {
		text, ok := r.text(v, 32)
		if !ok {
			return
		}
		if route.From, route.To, ok = hours(text); !ok {
			r.wrong(v, "must be such as 08:00-22:00, not %q", text)
		}
	})
	minutes := 0
	o.integer("after_minutes", 1, 24*60, &minutes)
	route.After = time.Duration(minutes) * time.Minute
	return route, true
}

// hours reads such as 08:00-22:00 as times since midnight.
func hours(text string) (from, to time.Duration, ok bool) {
	if len(text) != len("08:00-22:00") || text[5] != '-' {
		return 0, 0, false
	}
	read := func(part string) time.Duration {
		t, err := time.Parse("15:04", part)
		ok = ok && err == nil
		return t.Sub(t.Truncate(24 * time.Hour))
	}
	ok = true
	from, to = read(text[:5]), read(text[6:])
	return from, to, ok
}

func (r *reader) dark(v value) []Dark {
	var darks []Dark
	for _, entry := range r.entries(v, mostPauses) {
		o, ok := r.object(entry, "a dark site", "site", "from", "to", "reason")
		if !ok {
			continue
		}
		var closed Pause
		o.required("site", func(v value) {
			if site := reference(r, v, "site", r.named.sites); site != nil {
				closed.Scope.Site = site.Name
			}
		})
		o.required("reason", func(v value) { closed.Reason, _ = r.text(v, 200) })
		r.single(o, &closed)
		darks = append(darks, Dark{closed.Scope.Site, closed.From, closed.To, closed.Reason})
	}
	return darks
}

// darkPauses are pauses for the dark sites: what is switched off on purpose has
// no slots, and so no claim to make up.
func darkPauses(darks []Dark) []*Pause {
	pauses := make([]*Pause, 0, len(darks))
	for _, d := range darks {
		pauses = append(pauses, &Pause{Scope: Scope{Site: d.Site}, From: d.From, To: d.To, Reason: d.Reason})
	}
	return pauses
}

// DarkAt gives the times in which sites are dark at an instant, by site.
func (f *Fleet) DarkAt(now time.Time) map[string]Dark {
	at := map[string]Dark{}
	for _, d := range f.Dark {
		if !now.Before(d.From) && now.Before(d.To) {
			at[d.Site] = d
		}
	}
	return at
}

// things describes the recipients.
func (a *Alerts) things() []thing {
	var things []thing
	for _, to := range a.Recipients {
		facts := []fact{{"time_zone", to.Zone.String()}}
		for _, way := range []fact{{"mail", to.Mail}, {"webhook", to.Webhook}, {"service", to.Service}, {"topic", map[bool]string{true: "true"}[to.Topic]}} {
			if way.value != "" {
				facts = append(facts, way)
			}
		}
		for i, route := range to.Routes {
			facts = append(facts, fact{fmt.Sprintf("route %d", i+1), route.String()})
		}
		things = append(things, thing{"recipient " + to.Name, sortFacts(facts)})
	}
	return things
}

// severities are what a route lets through, in words.
var severities = map[string]string{"notice": "everything", "warning": "warnings and safety", "safety": "safety only"}

// String is the route in words: warnings and safety, at mill, from 08:00 to 22:00.
func (route Route) String() string {
	words := severities[route.Severity]
	if len(route.Sites) > 0 {
		words += ", at " + sorted(route.Sites)
	}
	if route.From != route.To {
		midnight := time.Time{}
		words += ", from " + midnight.Add(route.From).Format("15:04") + " to " + midnight.Add(route.To).Format("15:04")
	}
	if route.After > 0 {
		words += fmt.Sprintf(", if nobody has taken it on after %d min", int(route.After.Minutes()))
	}
	return words
}
