package plan

import (
	"math"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/slot"
)

// Spread says how well visits are spread over hours, minutes and frequencies.
// It is counted for each beacon on each of its bands, and summed.
type Spread struct {
	// Hours of the UTC day in which an even spread over the open slots would put
	// at least one visit, and those of them that have one.
	HoursDue     int `json:"hours_due"`
	HoursCovered int `json:"hours_covered"`

	// Different places within the hour at which visits could start, as far as
	// there are visits to fill them, and those at which one does.
	MinutesDue     int `json:"minutes_due"`
	MinutesCovered int `json:"minutes_covered"`

	// Visits that follow another of the same beacon on the same band, and those
	// of them on another frequency than the one before.
	Returns          int `json:"returns"`
	ReturnsElsewhere int `json:"returns_elsewhere"`
}

const (
	hoursPerDay = 24
	hour        = time.Hour
)

func spread(plans [][]*entry, o *fleet.Openings, length slot.Length) Spread {
	var s Spread
	for i, plan := range plans {
		if len(plan) == 0 {
			continue
		}
		for j, use := range plan[0].beacon.Bands {
			var visits []*entry
			for _, e := range plan {
				if e.band == use.Band.Name {
					visits = append(visits, e)
				}
			}
			s.hours(visits, o, i, j, length)
			s.minutes(visits, length)
			s.returns(visits)
		}
	}
	return s
}

func (s *Spread) hours(visits []*entry, o *fleet.Openings, beacon, band int, length slot.Length) {
	if len(visits) == 0 {
		return
	}
	var visited [hoursPerDay]bool
	for _, e := range visits {
		visited[length.Start(e.n).Hour()] = true
	}
	open := openByHour(o, beacon, band, length)
	all := o.OpenBandSlots(beacon, band)
	for h, slots := range open {
		if int64(len(visits))*slots < all || slots == 0 {
			continue
		}
		s.HoursDue++
		if visited[h] {
			s.HoursCovered++
		}
	}
}

// openByHour counts the open slots that start in each hour of the UTC day.
func openByHour(o *fleet.Openings, beacon, band int, length slot.Length) (open [hoursPerDay]int64) {
	for n := o.First; n < o.End; {
		start := length.Start(n)
		next := length.At(start.Truncate(hour).Add(hour-1)) + 1
		next = min(max(next, n+1), o.End)
		open[start.Hour()] += o.OpenBandSlotsIn(beacon, band, n, next)
		n = next
	}
	return open
}

func (s *Spread) minutes(visits []*entry, length slot.Length) {
	starts := map[int64]bool{}
	for _, e := range visits {
		starts[length.Start(e.n).Unix()%int64(hour.Seconds())] = true
	}
	// Slots that do not divide the hour begin at other seconds in each.
	const secondsPerHour = 3600
	places := secondsPerHour / gcd(secondsPerHour, int64(length))
	s.MinutesDue += int(min(int64(len(visits)), places))
	s.MinutesCovered += len(starts)
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// returns counts changes of frequency by at least the width of half a tone.
func (s *Spread) returns(visits []*entry) {
	const sameHz = 12000.0 / 8192 / 2
	for i := 1; i < len(visits); i++ {
		s.Returns++
		if math.Abs(visits[i].hz-visits[i-1].hz) >= sameHz {
			s.ReturnsElsewhere++
		}
	}
}
