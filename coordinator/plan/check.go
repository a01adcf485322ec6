package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/proto/onair/slot"
)

// Extra is what may accompany a plan; each may be nil.
type Extra struct {
	History  *Plan // what was really transmitted before From
	Previous *Plan // the plan that this one replaces; only Measure looks at it
	Taken    *Plan // leases not yet run out
	Most     int   // violations to report; 0 is 10000
}

const defaultMost = 10_000

// Check finds every breach of the rules in a plan, sorted by time. None means
// that the plan may be carried out.
func Check(f *fleet.Fleet, p *Plan, extra Extra) []Violation {
	c := newChecker(f, p, extra)
	if !c.form() {
		return c.found
	}
	for _, step := range []func(){
		c.resolve,    // which beacon, band and slot each transmission is
		c.signals,    // rules 1, 4 and 7 for each transmission by itself
		c.sequences,  // rules 1, 6, 7 and 8 along each beacon's transmissions
		c.slots,      // rules 2, 3, 4 and 7 among the transmissions of each slot
		c.days,       // rules 5 and 7 over each UTC day of a site
		c.shortfalls, // the list of shortfalls
	} {
		step()
	}
	sortViolations(c.found)
	return c.found
}

// entry is a transmission that has been understood.
type entry struct {
	n       slot.Number
	beacon  *fleet.Beacon
	index   int            // of the beacon in the fleet
	use     *fleet.BandUse // nil in history and taken, when the beacon has the band no more
	band    string
	hz      float64
	u       float64 // how far the signal may be off, hertz
	message Message
	past    bool // from history
	taken   bool // from the slots that are taken
}

type checker struct {
	f          *fleet.Fleet
	p          *Plan
	extra      Extra
	length     slot.Length
	first, end slot.Number // of the plan
	index      map[string]int
	entries    []entry // of the plan, by slot
	history    []entry
	taken      []entry
	found      []Violation
	most       int
}

func newChecker(f *fleet.Fleet, p *Plan, extra Extra) *checker {
	c := &checker{f: f, p: p, extra: extra, length: f.Network.Slot, most: cmp.Or(extra.Most, defaultMost)}
	c.index = beaconIndex(f)
	c.first, c.end = c.length.Starting(p.From, p.To)
	return c
}

func beaconIndex(f *fleet.Fleet) map[string]int {
	index := make(map[string]int, len(f.Beacons))
	for i, b := range f.Beacons {
		index[b.Name] = i
	}
	return index
}

// full tells that no further violation would be reported.
func (c *checker) full() bool { return len(c.found) >= c.most }

func (c *checker) report(rule Rule, start time.Time, beacons []string, format string, args ...any) {
	if c.full() {
		return
	}
	slices.Sort(beacons)
	c.found = append(c.found, Violation{rule, start, beacons, fmt.Sprintf(format, args...)})
}

// at reports a violation of one transmission.
func (c *checker) at(rule Rule, e *entry, format string, args ...any) {
	if !c.full() {
		c.report(rule, c.length.Start(e.n), []string{e.beacon.Name}, "beacon "+e.beacon.Name+" "+format, args...)
	}
}

// form tells whether the files are about this fleet's network and slots at all.
func (c *checker) form() bool {
	for _, file := range []struct {
		name string
		plan *Plan
	}{{"plan", c.p}, {"history", c.extra.History}, {"taken", c.extra.Taken}, {"previous plan", c.extra.Previous}} {
		switch {
		case file.plan == nil:
		case file.plan.Network != c.f.Network.Name:
			c.report(WrongNetwork, time.Time{}, nil, "the %s is of network %q, the fleet is %q", file.name, file.plan.Network, c.f.Network.Name)
		case file.plan.SlotSeconds != int64(c.length):
			c.report(WrongNetwork, time.Time{}, nil, "the %s has slots of %d s, the fleet of %d s", file.name, file.plan.SlotSeconds, c.length)
		}
	}
	return len(c.found) == 0
}

// resolve understands the transmissions and reports those that can't be.
func (c *checker) resolve() {
	c.entries = make([]entry, 0, len(c.p.Transmissions))
	for i := range c.p.Transmissions {
		t := &c.p.Transmissions[i]
		if i > 0 && before(t.Start, t.Beacon, c.p.Transmissions[i-1]) {
			c.report(Unsorted, t.Start, []string{t.Beacon}, "beacon %s: transmissions are sorted by start, then beacon", t.Beacon)
		}
		e, ok := c.entry(t)
		switch {
		case !ok:
			c.report(UnknownBeacon, t.Start, []string{t.Beacon}, "beacon %s is not in the fleet", t.Beacon)
		case !c.length.Start(e.n).Equal(t.Start):
			c.report(OffGrid, t.Start, []string{t.Beacon}, "beacon %s does not start with a slot of %d s", t.Beacon, c.length)
		case e.n < c.first || e.n >= c.end:
			c.at(OutsidePlan, &e, "transmits outside the plan's %s to %s", c.p.From.Format(time.RFC3339), c.p.To.Format(time.RFC3339))
		case e.use == nil:
			c.at(OwnBand, &e, "does not have the band %s", t.Band)
		default:
			c.entries = append(c.entries, e)
		}
	}
	c.history = c.others(c.extra.History, func(e *entry) bool { e.past = true; return e.n < c.first })
	c.taken = c.others(c.extra.Taken, func(e *entry) bool { e.taken = true; return true })
	bySlot := func(a, b entry) int { return cmp.Compare(a.n, b.n) }
	for _, list := range [][]entry{c.entries, c.history, c.taken} {
		slices.SortStableFunc(list, bySlot)
	}
}

// others understands the transmissions of history or taken slots, so far as keep
// says so. Those of beacons that are no longer in the fleet are left out: where
// they were is not known any more.
func (c *checker) others(p *Plan, keep func(*entry) bool) []entry {
	if p == nil {
		return nil
	}
	var entries []entry
	for i := range p.Transmissions {
		if e, ok := c.entry(&p.Transmissions[i]); ok && keep(&e) {
			entries = append(entries, e)
		}
	}
	return entries
}

func (c *checker) entry(t *Transmission) (entry, bool) {
	i, ok := c.index[t.Beacon]
	if !ok {
		return entry{}, false
	}
	b := c.f.Beacons[i]
	e := entry{n: c.length.At(t.Start), beacon: b, index: i, band: t.Band, hz: t.FrequencyHz, message: t.Message}
	for j := range b.Bands {
		if b.Bands[j].Band.Name == t.Band {
			e.use = &b.Bands[j]
		}
	}
	if bd, ok := c.f.Network.Bands.Lookup(t.Band); ok {
		e.u = b.UncertaintyHz(bd)
	}
	return e, true
}
