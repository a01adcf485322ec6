package fleet

import (
	"net/mail"
	"slices"
)

// Subscriber is sent the weekly report by mail.
type Subscriber struct {
	Mail string // address
	Site string // "" is the whole network
}

const mostSubscribers = 500

// subscribers reads who is sent the weekly report.
func (r *reader) subscribers(v value) []Subscriber {
	var list []Subscriber
	for _, entry := range r.entries(v, mostSubscribers) {
		o, ok := r.object(entry, "a subscriber of reports", "mail", "site")
		if !ok {
			continue
		}
		var s Subscriber
		o.required("mail", func(v value) {
			text, ok := r.text(v, 254)
			if !ok {
				return
			}
			if address, err := mail.ParseAddress(text); err != nil || address.Address != text {
				r.wrong(v, "must be an address such as secretary@example.org, not %q", text)
			}
			s.Mail = text
		})
		o.optional("site", func(v value) {
			if site := reference(r, v, "site", r.named.sites); site != nil {
				s.Site = site.Name
			}
		})
		if slices.Contains(list, s) {
			r.wrong(entry, "stands here twice: keep one")
		}
		list = append(list, s)
	}
	return list
}

// subscriberFacts are the subscribers in words, for comparing fleets.
func (f *Fleet) subscriberFacts() []thing {
	var things []thing
	for _, s := range f.Subscribers {
		of := "the whole network"
		if s.Site != "" {
			of = "site " + s.Site
		}
		things = append(things, thing{"report of " + of + " to " + s.Mail, nil})
	}
	return things
}
