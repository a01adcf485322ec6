package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
)

// planOldAfter: a new plan is made each hour.
const planOldAfter = 2 * time.Hour

// slowRead is half of what lies between two looks.
const slowRead = 2500 * time.Millisecond

// DatabaseGone is what is found while the database does not answer: nothing else
// is known.
func DatabaseGone(f *fleet.Fleet, since time.Time) *Found {
	return &Found{fleet: f, Findings: []Finding{{Key: Key{Code: DatabaseAway}, Sentence: fmt.Sprintf("The coordinator has had no answer from its database since %s.", clock(since))}}}
}

// DatabaseBack is what is found as soon as it answers.
func DatabaseBack(f *fleet.Fleet) *Found { return &Found{fleet: f} }

func (l *looker) network() {
	if l.o.BrokerAway {
		l.add(BrokerAway, "", "", "The coordinator has no connection to the broker, so it hears no beacon and reaches none.")
	}
	if took := l.o.ReadTook; took > slowRead {
		l.add(DatabaseSlow, "", "", fmt.Sprintf("The database took %.1f s to tell how the beacons are; more than %s is too long to tell what is wrong in time.", took.Seconds(), span(slowRead)))
	}
	if why := l.o.PlanFails; why != "" {
		l.add(PlanFails, "", "", "No plan can be made: "+clip(why, 300))
	}
	if made := l.o.PlanMadeAt; !made.IsZero() && l.now.Sub(made) > planOldAfter {
		l.add(PlanOld, "", "", fmt.Sprintf("The latest plan was made at %s, %s ago; a new one is due each hour.", clock(made), span(l.now.Sub(made))))
	}
}

func (l *looker) site(s *fleet.Site) {
	l.papers(s.Papers, "site "+s.Name, s.Name, "")
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
	sites, all := make(map[string]*heardOf, len(l.o.Fleet.Sites)), heardOf{}
	for _, b := range l.o.Fleet.Beacons {
		name, site := b.Name, b.Site.Name
		seen := l.o.Beacons[name].LastSeen
		if _, dark := l.dark[site]; dark || seen.IsZero() {
			continue
		}
		unheard := l.unheardFor(name)
		here := sites[site]
		if here == nil {
			here = &heardOf{}
			sites[site] = here
		}
		here.count(unheard, seen)
		all.count(unheard, seen)
		if unheard >= Lost {
			l.add(Unheard, site, name, fmt.Sprintf("Beacon %s at %s was last heard at %s, %s ago.", name, site, clock(seen), span(l.now.Sub(seen))))
		}
	}
	for site, at := range sites {
		if at.silent() {
			l.add(SiteDark, site, "", fmt.Sprintf("None of the %d beacons at %s is heard; the last word came at %s.", at.known, site, clock(at.since)))
		}
	}
	if len(sites) > 1 && all.silent() {
		l.add(NetworkUnheard, "", "", fmt.Sprintf("None of the %d beacons at %d sites is heard; the last word came at %s.", all.known, len(sites), clock(all.since)))
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
	first := make(map[string]*fleet.Beacon, len(l.o.Fleet.Beacons))
	for _, b := range l.o.Fleet.Beacons {
		other, taken := first[b.Callsign]
		if !taken {
			first[b.Callsign] = b
		} else if other.Site != b.Site {
			l.add(CallsignTwice, b.Site.Name, b.Name, fmt.Sprintf("Beacons %s at %s and %s at %s both send %s.", other.Name, other.Site.Name, b.Name, b.Site.Name, b.Callsign))
		}
	}
}

// steps says how near an end is, by the time left: 0 is not near.
func steps(end, now time.Time, left ...time.Duration) int {
	step := 0
	for i, d := range left {
		if end.Sub(now) <= d {
			step = i + 1
		}
	}
	return step
}

const oneDay = 24 * time.Hour

// reminders are when somebody is told that something runs out.
var reminders = []time.Duration{90 * oneDay, 30 * oneDay, 7 * oneDay, oneDay}

func (l *looker) ends(b *fleet.Beacon, known Beacon) {
	site, name := b.Site.Name, b.Name
	if end := b.Licence.ValidTo; !end.IsZero() {
		if step := steps(end, l.now, reminders...); step > 0 {
			l.step(LicenceEnds, site, name, step, fmt.Sprintf("The licence of beacon %s at %s %s %s.", name, site, endsOrEnded(end, l.now), clock(end)))
		}
	}
	l.papers(b.Papers, fmt.Sprintf("beacon %s at %s", name, site), site, name)
	if end := known.CertificateEnds; !end.IsZero() {
		if step := steps(end, l.now, reminders[1:]...); step > 0 {
			l.step(CertificateEnds, site, name, step, fmt.Sprintf("The certificate of beacon %s at %s %s %s.", name, site, endsOrEnded(end, l.now), clock(end)))
		}
	}
}

// papers tells of all that are about to end in one sentence, the most urgent
// first.
func (l *looker) papers(papers []fleet.Paper, of, site, beacon string) {
	var near []fleet.Paper
	for _, p := range papers {
		if steps(p.ValidTo, l.now, reminders...) > 0 {
			near = append(near, p)
		}
	}
	if len(near) == 0 {
		return
	}
	slices.SortStableFunc(near, func(a, b fleet.Paper) int { return a.ValidTo.Compare(b.ValidTo) })
	texts := make([]string, len(near))
	for i, p := range near {
		texts[i] = fmt.Sprintf("%s %s %s", p.What, endsOrEnded(p.ValidTo, l.now), clock(p.ValidTo))
	}
	l.step(PaperEnds, site, beacon, steps(near[0].ValidTo, l.now, reminders...), fmt.Sprintf("Of %s: %s.", of, strings.Join(texts, "; ")))
}

func endsOrEnded(end, now time.Time) string {
	if end.After(now) {
		return "ends"
	}
	return "ended"
}
