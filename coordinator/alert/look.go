package alert

import (
	"fmt"
	"time"

	"lamplighter/coordinator/fleet"
)

// planOldAfter: a new plan is made each hour.
const planOldAfter = 2 * time.Hour

func (l *looker) network() {
	if l.o.BrokerAway {
		l.add(BrokerAway, "", "", "The coordinator has no connection to the broker, so it hears no beacon and reaches none.")
	}
	if made := l.o.PlanMadeAt; !made.IsZero() && l.now.Sub(made) > planOldAfter {
		l.add(PlanOld, "", "", fmt.Sprintf("The latest plan was made at %s, %s ago; a new one is due each hour.", clock(made), span(l.now.Sub(made))))
	}
}

func (l *looker) site(s *fleet.Site) {
	if _, dark := l.dark[s.Name]; s.DutyRequired && !dark && !l.o.OnDuty[s.Name] {
		l.add(NobodyOnDuty, s.Name, "", fmt.Sprintf("Nobody is in control of site %s, and its beacons need somebody who is.", s.Name))
	}
}

// heardOf counts the beacons of a place.
type heardOf struct {
	known, late, lost int
	since             time.Time // when the last of them was heard
}

// hearing finds out who is not heard, from the single beacon up. A site counts
// as dark once all its beacons are late and one of them is lost: they do not go
// at the very same moment.
func (l *looker) hearing() {
	sites, all, heardSites := map[string]*heardOf{}, heardOf{}, map[string]bool{}
	for _, b := range l.o.Fleet.Beacons {
		name, site := b.Name, b.Site.Name
		seen := l.o.Beacons[name].LastSeen
		if _, dark := l.dark[site]; dark || seen.IsZero() {
			continue
		}
		unheard := l.unheardFor(name)
		if sites[site] == nil {
			sites[site] = &heardOf{}
		}
		heardSites[site] = true
		for _, at := range []*heardOf{sites[site], &all} {
			at.count(unheard, seen)
		}
		if unheard >= Lost {
			l.add(Unheard, site, name, fmt.Sprintf("Beacon %s at %s was last heard at %s, %s ago.", name, site, clock(seen), span(l.now.Sub(seen))))
		}
	}
	for site, at := range sites {
		if at.silent() {
			l.add(SiteDark, site, "", fmt.Sprintf("None of the %d beacons at %s is heard; the last word came at %s.", at.known, site, clock(at.since)))
		}
	}
	if len(heardSites) > 1 && all.silent() {
		l.add(NetworkUnheard, "", "", fmt.Sprintf("None of the %d beacons at %d sites is heard; the last word came at %s.", all.known, len(heardSites), clock(all.since)))
	}
}

func (h *heardOf) count(unheard time.Duration, seen time.Time) {
	h.known++
	if unheard >= Late {
		h.late++
	}
	if unheard >= Lost {
		h.lost++
	}
	if seen.After(h.since) {
		h.since = seen
	}
}

func (h *heardOf) silent() bool { return h.known > 1 && h.late == h.known && h.lost > 0 }

// callsigns finds call signs that two sites use.
func (l *looker) callsigns() {
	first := map[string]*fleet.Beacon{}
	for _, b := range l.o.Fleet.Beacons {
		other, taken := first[b.Callsign]
		if !taken {
			first[b.Callsign] = b
		} else if other.Site != b.Site {
			l.add(CallsignTwice, b.Site.Name, b.Name, fmt.Sprintf("Beacons %s at %s and %s at %s both send %s.", other.Name, other.Site.Name, b.Name, b.Site.Name, b.Callsign))
		}
	}
}

// steps says how near an end is, in days left: 0 is not near.
func steps(end, now time.Time, days ...int) int {
	step := 0
	for i, d := range days {
		if end.Sub(now) <= time.Duration(d)*24*time.Hour {
			step = i + 1
		}
	}
	return step
}

func (l *looker) ends(b *fleet.Beacon, known Beacon) {
	site, name := b.Site.Name, b.Name
	if end := b.Licence.ValidTo; !end.IsZero() {
		if step := steps(end, l.now, 90, 30, 7, 1); step > 0 {
			l.step(LicenceEnds, site, name, step, fmt.Sprintf("The licence of beacon %s at %s %s %s.", name, site, endsOrEnded(end, l.now), clock(end)))
		}
	}
	if end := known.CertificateEnds; !end.IsZero() {
		if step := steps(end, l.now, 30, 7, 1); step > 0 {
			l.step(CertificateEnds, site, name, step, fmt.Sprintf("The certificate of beacon %s at %s %s %s.", name, site, endsOrEnded(end, l.now), clock(end)))
		}
	}
}

func endsOrEnded(end, now time.Time) string {
	if end.After(now) {
		return "ends"
	}
	return "ended"
}
