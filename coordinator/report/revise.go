package report

import (
	"fmt"
	"time"
)

// CutOff is how long after the end of a week its report is made: what was on its
// way has come by then.
const CutOff = 6 * time.Hour

// Differences says in words which figures of a period differ from those of an
// earlier report on it; none: there is nothing new to say. When it was made, how
// complete the data are and who heard us make no difference by themselves.
func Differences(old, next *Report) []string {
	list := figureDifferences("the network", old.Figures, next.Figures)
	was := map[string]*Beacon{}
	for i := range old.Beacons {
		was[old.Beacons[i].Beacon] = &old.Beacons[i]
	}
	for i := range next.Beacons {
		b := &next.Beacons[i]
		earlier := was[b.Beacon]
		if earlier == nil {
			list = append(list, b.Beacon+" was added")
			continue
		}
		list = append(list, figureDifferences(b.Beacon, earlier.Figures, b.Figures)...)
		delete(was, b.Beacon)
	}
	for i := range old.Beacons {
		if was[old.Beacons[i].Beacon] != nil {
			list = append(list, old.Beacons[i].Beacon+" was removed")
		}
	}
	return list
}

func figureDifferences(of string, old, next Figures) (list []string) {
	for _, c := range []struct {
		what      string
		old, next int64
	}{
		{"minutes heard", int64(old.Heard), int64(next.Heard)},
		{"minutes ready", int64(old.Ready), int64(next.Ready)},
		{"ordered", old.Ordered, next.Ordered},
		{"sent", old.Sent, next.Sent},
		{"skipped", old.Skipped, next.Skipped},
		{"aborted", old.Aborted, next.Aborted},
		{"unreported", old.Unreported, next.Unreported},
		{"open", old.Open, next.Open},
		{"unordered", old.Unordered, next.Unordered},
		{"GPS outages", int64(old.OutageCount), int64(next.OutageCount)},
		{"minutes of GPS outage", int64(old.OutageMinutes), int64(next.OutageMinutes)},
	} {
		if c.old != c.next {
			list = append(list, fmt.Sprintf("%s: %s %d, was %d", of, c.what, c.next, c.old))
		}
	}
	if old.Airtime != next.Airtime {
		list = append(list, fmt.Sprintf("%s: airtime %s, was %s", of, HoursMinutes(next.Airtime), HoursMinutes(old.Airtime)))
	}
	if worst := func(f Figures) string {
		if f.Clock == nil {
			return "not known"
		}
		return Seconds(f.Clock.Worst)
	}; worst(old) != worst(next) {
		list = append(list, fmt.Sprintf("%s: worst clock error bound %s, was %s", of, worst(next), worst(old)))
	}
	return list
}
