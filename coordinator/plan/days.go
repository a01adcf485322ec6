package plan

import (
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/slot"
)

// siteDay is one site in one UTC day, by the number of the day's first slot;
// band is "" for any.
type siteDay struct {
	site *fleet.Site
	band string
	day  slot.Number
}

// days checks, for each site and UTC day, that enough slots are silent. Of a day
// count the slots that lie in the plan and, where there is history, in the
// history: that is the part of which something is known. Taken slots may never
// be used, and don't count.
func (c *checker) days() {
	busy := c.busySlots()
	from := c.first
	if h := c.extra.History; h != nil {
		from = min(from, firstSlot(c.length, h))
	}
	for day := c.dayOf(c.first); day < c.end; _, day = c.length.Day(day) {
		_, next := c.length.Day(day)
		slots := int64(min(next, c.end) - max(day, from))
		for _, s := range c.f.Sites {
			c.silence(QuietShare, siteDay{s, "", day}, s.Quiet, slots, busy)
			for _, rule := range s.Listen {
				c.silence(ListenShare, siteDay{s, rule.Band, day}, rule.Share, slots, busy)
			}
		}
	}
}

func firstSlot(length slot.Length, p *Plan) slot.Number {
	first, _ := length.Starting(p.From, p.To)
	return first
}

func (c *checker) dayOf(n slot.Number) slot.Number {
	first, _ := c.length.Day(n)
	return first
}

// busySlots counts the slots with a transmission, at sites with a rule about it.
func (c *checker) busySlots() map[siteDay]int64 {
	busy := map[siteDay]int64{}
	last := map[siteDay]slot.Number{}
	count := func(site *fleet.Site, band string, n slot.Number) {
		key := siteDay{site, band, c.dayOf(n)}
		if before, ok := last[key]; !ok || before != n {
			busy[key]++
			last[key] = n
		}
	}
	for _, list := range [][]entry{c.history, c.entries} { // each in order of time
		for i := range list {
			e := &list[i]
			site := e.beacon.Site
			if !site.Quiet.IsZero() {
				count(site, "", e.n)
			}
			for _, rule := range site.Listen {
				if rule.Band == e.band {
					count(site, e.band, e.n)
				}
			}
		}
	}
	return busy
}

func (c *checker) silence(rule Rule, key siteDay, share fleet.Decimal, slots int64, busy map[siteDay]int64) {
	silent, wanted := slots-busy[key], share.MulFloor(slots)
	if silent >= wanted {
		return
	}
	on := ""
	if key.band != "" {
		on = " on " + key.band
	}
	start := c.length.Start(key.day)
	c.report(rule, start, nil, "site %s: %d of %d slots of %s are without a transmission%s, and %d must be",
		key.site.Name, silent, slots, start.Format(time.DateOnly), on, wanted)
}
