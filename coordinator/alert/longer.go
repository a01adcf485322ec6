package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lamplighter/coordinator/fleet"
)

// What takes days to show.
const (
	shareDays  = 7              // in a row
	shareSlots = 5              // a day with fewer says nothing
	shareHeard = 12 * time.Hour // likewise: what cut the beacon off is another condition
)

// longer looks at what shows only over hours or days.
func (l *looker) longer(b *fleet.Beacon, known Beacon) {
	site, name := b.Site.Name, b.Name
	if sent, fair, lost, missed := shareMissed(known.Days); missed {
		l.add(ShareMissed, site, name, fmt.Sprintf("Beacon %s at %s has sent less than nine tenths of its fair share on each of the last %d days: %d of %d slots. Most were lost to: %s.", name, site, shareDays, sent, fair, lost))
	}
	if len(known.DeadBands) > 0 {
		texts := make([]string, len(known.DeadBands))
		for i, u := range known.DeadBands {
			texts[i] = fmt.Sprintf("on %s it has sent %d times since %s and nobody reported it, while there were %d reports of others", u.Band, u.Sent, clock(u.Since), u.Others)
		}
		l.add(HeardByNobody, site, name, fmt.Sprintf("Beacon %s at %s may transmit into nothing: %s.", name, site, strings.Join(texts, "; ")))
	}
	if empty := b.Limits.SupplyEmpty; empty != nil {
		if f, falls := foretell(known.Supply, *empty, l.now); falls {
			l.step(SupplyEnds, site, name, steps(f.at, l.now, 3*time.Hour, time.Hour), fmt.Sprintf(
				"The supply of beacon %s at %s has fallen from %.2f V to %.2f V in %s. If it goes on so it reaches %.2f V, where it is cut off and the beacon falls silent, in %s, at %s.",
				name, site, f.from, f.to, span(f.in), *empty, span(f.at.Sub(l.now)), clock(f.at)))
		}
	}
}

// shareMissed says whether each of the last days brought a beacon clearly less
// than its share, today so far included, and adds them up.
func shareMissed(days []Day) (sent, fair int64, lost string, missed bool) {
	if len(days) <= shareDays {
		return 0, 0, "", false
	}
	lean := func(d Day) bool { return 10*d.Sent < 9*d.Fair }
	if today := days[0]; today.Fair >= shareSlots && !lean(today) {
		return 0, 0, "", false // it is well again
	}
	reasons := map[string]int64{}
	for _, d := range days[1 : shareDays+1] {
		if d.Fair < shareSlots || d.Heard < shareHeard || !lean(d) {
			return 0, 0, "", false
		}
		sent, fair = sent+d.Sent, fair+d.Fair
		reasons[d.Lost] += d.Fair - d.Sent
	}
	for reason, slots := range reasons {
		if lost == "" || slots > reasons[lost] || slots == reasons[lost] && reason < lost {
			lost = reason
		}
	}
	return sent, fair, lost, true
}

// What a forecast of a supply takes. A discharge is no straight line, it falls
// faster towards its end (common practice, no source): so the forecast is
// renewed all the time, and errs to the late side only while it is far off.
const (
	supplyPoints = 6
	supplySpan   = 2 * time.Hour
	supplyAhead  = 12 * time.Hour
)

// forecast is how a supply fell, and when it will be empty.
type forecast struct {
	from, to float64       // volts, by the line through what was measured
	in       time.Duration // between these
	at       time.Time     // when it is empty
}

// foretell draws the line of the median slope between all points (Theil 1950,
// Sen 1968), which a few wild readings do not bend, and says whether it meets
// empty soon. A fall that is less than the scatter around the line is none.
func foretell(points []Volts, empty float64, now time.Time) (forecast, bool) {
	if len(points) < supplyPoints || points[len(points)-1].At.Sub(points[0].At) < supplySpan {
		return forecast{}, false
	}
	var slopes []float64 // volts per second
	for i, a := range points {
		for _, b := range points[i+1:] {
			if d := b.At.Sub(a.At).Seconds(); d > 0 {
				slopes = append(slopes, (b.Volts-a.Volts)/d)
			}
		}
	}
	slope, first, last := middle(slopes), points[0].At, points[len(points)-1].At
	if slope >= 0 {
		return forecast{}, false
	}
	heights, scatter := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		heights[i] = p.Volts - slope*p.At.Sub(first).Seconds()
	}
	height := middle(slices.Clone(heights))
	for i, h := range heights {
		scatter[i] = max(h-height, height-h)
	}
	in := last.Sub(first)
	f := forecast{from: height, to: height + slope*in.Seconds(), in: in}
	if f.from-f.to <= 2*middle(scatter) {
		return forecast{}, false
	}
	left := (height + slope*now.Sub(first).Seconds() - empty) / -slope
	if left > supplyAhead.Seconds() {
		return forecast{}, false
	}
	f.at = now.Add(time.Duration(max(0, left) * float64(time.Second))).Round(time.Minute)
	return f, true
}

// middle sorts values and gives the median; 0 of none.
func middle(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// listeners names receivers.
func listeners(names []string) string {
	switch len(names) {
	case 0:
		return "Receivers"
	case 1:
		return "Receiver " + names[0] + ", in two slots in a row,"
	}
	names = names[:min(len(names), 5)]
	return "Receivers " + strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
