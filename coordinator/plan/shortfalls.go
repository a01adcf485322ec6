package plan

import (
	"time"

	"lamplighter/coordinator/fleet"
)

// shortfalls checks that the list names exactly the beacons that are granted
// less than their demand, with the true figures, and every band without room.
func (c *checker) shortfalls() {
	wants := Wants(c.f, c.p, c.extra.History)
	granted := make([]int64, len(c.f.Beacons))
	for i := range c.entries {
		granted[c.entries[i].index]++
	}
	listed := map[[2]string]*Shortfall{}
	for i := range c.p.Shortfalls {
		s := &c.p.Shortfalls[i]
		key := [2]string{s.Beacon, s.Band}
		if listed[key] != nil {
			c.untrue(s.Beacon, "beacon %s is listed twice", s.Beacon)
		}
		listed[key] = s
		if _, known := c.index[s.Beacon]; !known {
			c.untrue(s.Beacon, "beacon %s is listed, but not in the fleet", s.Beacon)
		}
		if s.Reason == "" {
			c.untrue(s.Beacon, "beacon %s is listed without a reason", s.Beacon)
		}
		if s.Band != "" {
			c.unusableBand(s)
		}
	}
	for i, b := range c.f.Beacons {
		c.beaconShortfall(b, listed[[2]string{b.Name}], wants[i].Demand, granted[i])
		for _, use := range b.Bands {
			if _, why := c.f.FitsBand(b, use); why == fleet.NoRoom && listed[[2]string{b.Name, use.Band.Name}] == nil {
				c.untrue(b.Name, "beacon %s can't use %s for want of room, and that is not listed", b.Name, use.Band.Name)
			}
		}
	}
}

func (c *checker) untrue(beacon, format string, args ...any) {
	c.report(ShortfallList, time.Time{}, []string{beacon}, "shortfalls: "+format, args...)
}

func (c *checker) beaconShortfall(b *fleet.Beacon, listed *Shortfall, demand, granted int64) {
	switch {
	case listed == nil && granted < demand:
		c.untrue(b.Name, "beacon %s is granted %d of %d, and not listed", b.Name, granted, demand)
	case listed == nil:
	case granted >= demand:
		c.untrue(b.Name, "beacon %s is listed, but granted %d of %d", b.Name, granted, demand)
	case int64(listed.Wanted) != demand || int64(listed.Granted) != granted:
		c.untrue(b.Name, "beacon %s is listed with %d of %d, but granted %d of %d", b.Name, listed.Granted, listed.Wanted, granted, demand)
	}
}

// unusableBand checks an entry about a band that can't be used at all.
func (c *checker) unusableBand(s *Shortfall) {
	b := c.f.Beacon(s.Beacon)
	if b == nil {
		return
	}
	use, has := b.Use(s.Band)
	switch {
	case !has:
		c.untrue(s.Beacon, "beacon %s does not have the band %s", s.Beacon, s.Band)
		return
	case s.Wanted != 0 || s.Granted != 0:
		c.untrue(s.Beacon, "beacon %s: an entry about a band that can't be used (%s) has zeros", s.Beacon, s.Band)
	}
	if _, why := c.f.FitsBand(b, use); why == "" {
		c.untrue(s.Beacon, "beacon %s can use %s, and is listed as if not", s.Beacon, s.Band)
	}
}
