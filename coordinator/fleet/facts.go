package fleet

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"lamplighter/proto/onair/band"
)

// fact is one property of a thing in words, by its key in the fleet file. Facts
// do not depend on the order of lists in the file.
type fact struct{ key, value string }

// thing is what has a name, and all that is true of it.
type thing struct {
	name  string // such as beacon hilltop-hf
	facts []fact
}

// things describes the whole fleet; sites, beacons and pauses sorted.
func (f *Fleet) things() []thing {
	usual := defaultLimits()
	things := []thing{{"network", sortFacts(append(f.Network.facts(), f.Alerts.Limits.facts(&usual)...))}}
	for _, s := range f.Sites {
		things = append(things, thing{"site " + s.Name, sortFacts(append(s.facts(), s.Limits.facts(&f.Alerts.Limits)...))})
	}
	for _, b := range f.Beacons {
		things = append(things, thing{"beacon " + b.Name, sortFacts(append(b.facts(), b.Limits.facts(&b.Site.Limits)...))})
	}
	for _, p := range f.Pauses {
		things = append(things, thing{"pause of " + p.String(), nil})
	}
	things = append(things, f.Alerts.things()...)
	things = append(things, f.subscriberFacts()...)
	things = append(things, f.receiverThings()...)
	if f.Public.Page {
		things = append(things, thing{"public page", f.Public.facts()})
	}
	slices.SortFunc(things, func(a, b thing) int { return strings.Compare(a.name, b.name) })
	return things
}

func (n *Network) facts() []fact {
	facts := []fact{
		{"name", n.Name},
		{"id", n.ID},
		{"slot_seconds", strconv.FormatInt(int64(n.Slot), 10)},
		{"max_signals_per_band", strconv.Itoa(n.MaxSignalsPerBand)},
		{"guard_hz", n.Guard.String()},
		{"near_km", n.Near.Default.String()},
		{"near", pairText(n.Near.Near)},
		{"apart", pairText(n.Near.Apart)},
	}
	if n.Zone != nil {
		facts = append(facts, fact{"time_zone", n.Zone.String()})
	}
	for name, km := range n.Near.ByBand {
		facts = append(facts, fact{"near_km " + name, km.String()})
	}
	for _, b := range n.Bands.All() {
		if standard, ok := band.Standard().Lookup(b.Name); !ok || standard != b {
			facts = append(facts, fact{"band " + b.Name, fmt.Sprintf("dial %d Hz, window %d to %d Hz", b.DialHz, b.WindowHz[0], b.WindowHz[1])})
		}
	}
	return sortFacts(facts)
}

func (s *Site) facts() []fact {
	facts := []fact{
		{"locator", s.Locator.String()},
		{"time_zone", s.Zone.String()},
		{"transmitters_at_once", strconv.Itoa(s.TransmittersAtOnce)},
		{"not_together", pairText(s.NotTogether)},
		{"quiet_share", s.Quiet.String()},
	}
	if s.DutyRequired {
		facts = append(facts, fact{"duty", "required"})
	}
	facts = append(facts, paperFacts(s.Papers)...)
	for _, l := range s.Listen {
		facts = append(facts, fact{"listen " + l.Band, l.Share.String()})
	}
	return sortFacts(facts)
}

func (b *Beacon) facts() []fact {
	facts := []fact{
		{"callsign", b.Callsign},
		{"site", b.Site.Name},
		{"announce", strconv.Itoa(int(b.Announce))},
		{"power_dbm", strconv.Itoa(b.PowerDBm)},
		{"licence", b.Licence.String()},
		{"share", b.Share.String()},
		{"rest", strconv.Itoa(b.Rest)},
		{"shared", sorted(b.Shared)},
		{"max_in_30min", strconv.Itoa(b.MaxIn30Min)},
		{"plugged", b.Plugged},
		{"uncertainty_ppm", b.Uncertainty.String()},
		{"paused", strconv.FormatBool(b.Paused)},
		{"priority", b.Priority.String()},
		{"notes", strings.Join(b.Notes, "; ")},
	}
	for _, f := range b.Filters {
		fitted := "relay"
		if f.Plug {
			fitted = "plug"
		}
		facts = append(facts, fact{"filter " + f.Name, "passes " + sorted(f.Passes) + ", " + fitted})
	}
	for _, use := range b.Bands {
		facts = append(facts, fact{"band " + use.Band.Name, fmt.Sprintf("weight %s, sun %s, drive %d %%, %d dBm, %s",
			use.Weight, use.Sun, use.Drive, use.PowerDBm, use.Control)})
	}
	return sortFacts(append(facts, paperFacts(b.Papers)...))
}

func paperFacts(papers []Paper) []fact {
	facts := make([]fact, len(papers))
	for i, p := range papers {
		facts[i] = fact{"paper " + p.What, "to " + p.ValidTo.Add(-time.Second).Format(time.DateOnly)}
	}
	return facts
}

// String describes the licence on one line.
func (l *Licence) String() string {
	if !l.Declared {
		return fmt.Sprintf("not declared, %d dBm", l.MaxPowerDBm)
	}
	text := fmt.Sprintf("%d dBm", l.MaxPowerDBm)
	if !l.ValidFrom.IsZero() {
		text += " from " + l.ValidFrom.Format(time.DateOnly)
	}
	if !l.ValidTo.IsZero() {
		text += " to " + l.ValidTo.Add(-time.Second).Format(time.DateOnly)
	}
	var segments []string
	for _, s := range l.Segments {
		segments = append(segments, fmt.Sprintf("%d-%d Hz %d dBm", s.FromHz, s.ToHz, s.LimitDBm))
	}
	if len(segments) > 0 {
		text += " in " + sorted(segments)
	}
	return text
}

// String describes the pause on one line.
func (p *Pause) String() string {
	when := fmt.Sprintf("from %s to %s", p.From.UTC().Format(time.RFC3339), p.To.UTC().Format(time.RFC3339))
	if p.Recurring() {
		when = fmt.Sprintf("from %s for %s, %s", p.Start, p.Length, p.Rule)
	}
	if p.Reason == "" {
		return p.Scope.String() + " " + when
	}
	return p.Scope.String() + " " + when + " (" + p.Reason + ")"
}

// String describes the scope in words. A beacon is at one site, which need not be
// said.
func (s Scope) String() string {
	words := "the whole network"
	switch {
	case s.Beacon != "":
		words = "beacon " + s.Beacon
	case s.Site != "":
		words = "site " + s.Site
	case s.Band != "":
		return "band " + s.Band
	}
	if s.Band != "" {
		words += ", band " + s.Band
	}
	return words
}

func sortFacts(facts []fact) []fact {
	slices.SortFunc(facts, func(a, b fact) int { return strings.Compare(a.key, b.key) })
	return facts
}

func sorted(words []string) string {
	return strings.Join(slices.Sorted(slices.Values(words)), "; ")
}

func pairText(pairs [][2]string) string {
	texts := make([]string, len(pairs))
	for i, p := range pairs {
		texts[i] = min(p[0], p[1]) + " and " + max(p[0], p[1])
	}
	return sorted(texts)
}
