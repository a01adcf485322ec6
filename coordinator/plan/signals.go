package plan

import (
	"slices"
	"sort"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/locator"
)

// The width of a signal, and what rounding in a file may cost, in hertz.
const (
	halfWidthHz = 3
	roundingHz  = 1e-6
)

// signals checks each transmission by itself. It asks the sun and the pauses
// directly for each instant, so that a mistake in what the planner plans with
// does not hide here.
func (c *checker) signals() {
	pauses := c.pausesByBeacon()
	for i := range c.entries {
		e := &c.entries[i]
		c.open(e, pauses)
		c.frequency(e)
		c.licence(e)
		if c.full() {
			return
		}
	}
}

func (c *checker) open(e *entry, pauses *pauses) {
	start, end := c.length.Start(e.n), c.length.End(e.n)
	if e.beacon.Paused {
		c.at(BeaconPaused, e, "is marked as paused")
	}
	if p := pauses.over(e, start, end); p != nil {
		c.at(InPause, e, "transmits on %s in the pause of %s", e.band, p)
	}
	if e.use.Sun == fleet.AnyTime {
		return
	}
	elevation := locator.SunElevation(e.beacon.Site.Locator.Centre(), c.length.Middle(e.n))
	if e.use.Sun == fleet.Day && elevation < -fleet.HorizonDegrees || e.use.Sun == fleet.Night && elevation > fleet.HorizonDegrees {
		c.at(SunRule, e, "transmits on %s, which is for the %s, with the sun's centre at %.2f°", e.band, e.use.Sun, elevation)
	}
}

// frequency is the window of rule 4.
func (c *checker) frequency(e *entry) {
	edge := halfWidthHz + e.u
	low, high := float64(e.use.Band.LowHz()), float64(e.use.Band.HighHz())
	if e.hz-edge < low-roundingHz || e.hz+edge > high+roundingHz {
		c.at(Window, e, "on %s: %.1f ± %.1f Hz leaves the window %.0f to %.0f Hz", e.band, e.hz, edge, low, high)
	}
}

// licence is the first half of rule 7.
func (c *checker) licence(e *entry) {
	b := e.beacon
	if len(b.Filters) > 0 && !slices.ContainsFunc(b.Filters, func(f fleet.Filter) bool {
		return (!f.Plug || f.Name == b.Plugged) && slices.Contains(f.Passes, e.band)
	}) {
		c.at(FilterRule, e, "has no fitted filter that passes %s", e.band)
	}
	if !b.Licensed(c.length.Start(e.n), c.length.End(e.n)) {
		c.at(LicenceDates, e, "transmits outside the dates of its licence (%s)", &b.Licence)
	}
	power := e.use.PowerDBm
	if power > b.Licence.MaxPowerDBm {
		c.at(LicenceRule, e, "sends %d dBm on %s; its licence allows %d dBm", power, e.band, b.Licence.MaxPowerDBm)
	}
	edge := halfWidthHz + e.u
	if len(b.Licence.Segments) > 0 && !slices.ContainsFunc(b.Licence.Segments, func(s fleet.Segment) bool {
		return power <= s.LimitDBm && e.hz-edge >= float64(s.FromHz)-roundingHz && e.hz+edge <= float64(s.ToHz)+roundingHz
	}) {
		c.at(LicenceRule, e, "on %s: %.1f ± %.1f Hz at %d dBm lies in no licensed segment", e.band, e.hz, edge, power)
	}
}

// pauses knows when each pause holds, for the zone of each site it may concern.
type pauses struct {
	everywhere []*fleet.Pause
	site       map[string][]*fleet.Pause
	beacon     map[string][]*fleet.Pause
	when       map[pauseInZone][]fleet.Interval
	from, to   time.Time
}

type pauseInZone struct {
	pause *fleet.Pause
	zone  *time.Location
}

func (c *checker) pausesByBeacon() *pauses {
	p := &pauses{
		site: map[string][]*fleet.Pause{}, beacon: map[string][]*fleet.Pause{},
		when: map[pauseInZone][]fleet.Interval{},
		from: c.length.Start(c.first), to: c.length.Start(c.end),
	}
	for _, pause := range c.f.Pauses {
		switch s := pause.Scope; {
		case s.Beacon != "":
			p.beacon[s.Beacon] = append(p.beacon[s.Beacon], pause)
		case s.Site != "":
			p.site[s.Site] = append(p.site[s.Site], pause)
		default:
			p.everywhere = append(p.everywhere, pause)
		}
	}
	return p
}

// over returns a pause that meets [start, end) for a transmission, or nil.
func (p *pauses) over(e *entry, start, end time.Time) *fleet.Pause {
	for _, list := range [][]*fleet.Pause{p.everywhere, p.site[e.beacon.Site.Name], p.beacon[e.beacon.Name]} {
		for _, pause := range list {
			if pause.Scope.Covers(e.beacon, e.band) && p.holds(pause, e.beacon.Site.Zone, start, end) {
				return pause
			}
		}
	}
	return nil
}

func (p *pauses) holds(pause *fleet.Pause, zone *time.Location, start, end time.Time) bool {
	key := pauseInZone{pause, zone}
	intervals, known := p.when[key]
	if !known {
		intervals = pause.Intervals(zone, p.from, p.to)
		p.when[key] = intervals
	}
	// All have one length, so their ends rise as their beginnings do.
	i := sort.Search(len(intervals), func(i int) bool { return intervals[i].To.After(start) })
	return i < len(intervals) && intervals[i].From.Before(end)
}
