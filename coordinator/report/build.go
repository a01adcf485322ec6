package report

import (
	"cmp"
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	"lamplighter/coordinator/plan"
	"lamplighter/coordinator/rollup"
)

// Fleet is a fleet that was in force in [From, To).
type Fleet struct {
	*fleet.Fleet
	From, To time.Time
}

// Options say what a report is to be about.
type Options struct {
	Period Period
	Now    time.Time
	Fleets []Fleet // in force in the period, oldest first; at least one
	Scope  fleet.Scope
}

// Builder makes a report of hours.
type Builder struct {
	options Options
	until   time.Time // the period's end, or now
	beacons map[string]*tally
	order   []string // of beacons, as the fleet has them
	current *tally

	hours   int // of the period, begun ones included
	clock   []rollup.Histogram
	worst   []int64
	bands   map[string]*Band
	days    []time.Time
	open    time.Time // the first hour with an open slot
	outages []Outage
}

// New makes a builder for the beacons of the fleets that lie in the scope.
func New(options Options) *Builder {
	b := &Builder{options: options, until: options.Period.To, beacons: map[string]*tally{}, bands: map[string]*Band{}, days: options.Period.Days()}
	if options.Now.Before(b.until) {
		b.until = options.Now.Truncate(time.Minute)
	}
	if b.until.Before(options.Period.From) {
		b.until = options.Period.From
	}
	b.hours = int((options.Period.To.Sub(options.Period.From.Truncate(time.Hour)) + time.Hour - 1) / time.Hour)
	b.clock, b.worst = make([]rollup.Histogram, b.hours), make([]int64, b.hours)
	for _, f := range options.Fleets {
		for _, beacon := range f.Beacons {
			if covers(options.Scope, beacon) {
				b.know(f, beacon)
			}
		}
	}
	for name, blocks := range wants(options.Fleets, options.Period.From, b.until) {
		if t := b.beacons[name]; t != nil {
			t.want(blocks)
		}
	}
	return b
}

func covers(scope fleet.Scope, b *fleet.Beacon) bool {
	return (scope.Site == "" || scope.Site == b.Site.Name) && (scope.Beacon == "" || scope.Beacon == b.Name)
}

// Names lists the beacons that the report is about.
func (b *Builder) Names() []string { return slices.Clone(b.order) }

func (b *Builder) know(f Fleet, beacon *fleet.Beacon) {
	t := b.beacons[beacon.Name]
	if t == nil {
		t = &tally{strip: make([]uint8, b.hours), blocks: map[blockKey]*Block{}, counts: map[reasonKey]int64{}}
		b.beacons[beacon.Name] = t
		b.order = append(b.order, beacon.Name)
	}
	t.beacon, t.priority = Beacon{Beacon: beacon.Name, Site: beacon.Site.Name, Callsign: beacon.Callsign}, beacon.Priority.Float64()
	t.locator = beacon.Site.Locator.String()
	from, to := f.From, f.To
	if from.Before(b.options.Period.From) {
		from = b.options.Period.From
	}
	if to.After(b.until) {
		to = b.until
	}
	if from.Before(to) {
		t.minutes += minutesBetween(from, to)
	}
}

// minutesBetween counts the minutes that begin in [from, to).
func minutesBetween(from, to time.Time) int {
	ceil := func(t time.Time) int64 { return -((-t.UnixNano()) / int64(time.Minute)) }
	return int(ceil(to) - ceil(from))
}

// Add takes the next hour into account. Hours of beacons that it was not made
// for are left out.
func (b *Builder) Add(h rollup.Hour) {
	t := b.beacons[h.Beacon]
	if t == nil {
		return
	}
	if t != b.current {
		b.finishOutages()
		b.current = t
	}
	t.add(h)
	index := int(h.Start.Sub(b.options.Period.From.Truncate(time.Hour)) / time.Hour)
	if index >= 0 && index < b.hours {
		t.strip[index] = uint8(h.Heard.Count())
		b.clock[index].Add(h.Clock)
		b.worst[index] = max(b.worst[index], h.Worst.Ns)
	}
	b.walk(t, h)
	b.count(h)
}

// count adds the slots of an hour to bands, blocks and the map of activity.
func (b *Builder) count(h rollup.Hour) {
	local := h.Start.In(b.options.Period.Zone)
	day := max(0, len(b.days)-1)
	for day > 0 && h.Start.Before(b.days[day].Add(-59*time.Minute)) {
		day--
	}
	for _, c := range h.Slots {
		band := b.bands[c.Band]
		if band == nil {
			band = &Band{Band: c.Band, Heat: make([][24]int64, len(b.days))}
			b.bands[c.Band] = band
		}
		band.add(c)
		band.Airtime += c.Keyed.Seconds()
		if c.Ending == "sent" {
			band.Heat[day][local.Hour()] += c.Slots
		}
		if c.Ending == "open" && !h.Start.Add(time.Hour).After(b.until) && (b.open.IsZero() || h.Start.Before(b.open)) {
			b.open = h.Start
		}
	}
}

// Sent counts what was sent, by beacon and band, of the hours so far.
func (b *Builder) Sent() map[[2]string]int64 {
	sent := map[[2]string]int64{}
	for name, t := range b.beacons {
		for key, n := range t.counts {
			if key.ending == "sent" {
				sent[[2]string{name, key.band}] += n
			}
		}
	}
	return sent
}

// Context is what a report tells beside what is counted.
type Context struct {
	Missing    map[string]int64 // records that never came, by beacon
	Hushes     []Hush
	Alerts     []Alert
	Changes    []Change
	Shortfalls []Shortfall
	Heard      []Heard
	Before     *Report // of the period before; nil: nothing is known of it
}

// Report finishes the report.
func (b *Builder) Report(c Context) *Report {
	b.finishOutages()
	latest := b.options.Fleets[len(b.options.Fleets)-1]
	p := b.options.Period
	r := &Report{
		Schema: Schema, Network: latest.Network.Name, ID: latest.Network.ID, Scope: scopeText(b.options.Scope), Week: p.Week,
		From: p.From.UTC(), To: p.To.UTC(), Zone: p.Zone.String(), Hours: p.Length().Hours(), Over: !b.options.Now.Before(p.To),
		MadeAt: b.options.Now.UTC(), CompleteTo: b.until.UTC(), Revision: 1, Days: b.days, Clock: b.hourly(),
		Outages: b.outages, Hushes: c.Hushes, Pauses: pauses(b.options), Alerts: c.Alerts, Changes: c.Changes,
		Shortfalls: c.Shortfalls, Heard: c.Heard,
	}
	if !b.open.IsZero() && b.open.Before(r.CompleteTo) {
		r.CompleteTo = b.open.UTC()
	}
	for _, name := range b.order {
		t := b.beacons[name]
		t.missing = c.Missing[name]
		r.Beacons = append(r.Beacons, t.finish())
	}
	slices.SortStableFunc(r.Beacons, func(x, y Beacon) int {
		return cmp.Or(cmp.Compare(x.Site, y.Site), cmp.Compare(x.Beacon, y.Beacon))
	})
	slices.SortStableFunc(r.Outages, func(x, y Outage) int { return x.From.Compare(y.From) })
	for _, band := range b.bands {
		r.Bands = append(r.Bands, *band)
	}
	slices.SortFunc(r.Bands, func(x, y Band) int {
		return cmp.Or(-cmp.Compare(metres(x.Band), metres(y.Band)), cmp.Compare(x.Band, y.Band))
	})
	b.sum(r)
	if c.Before != nil {
		r.compare(c.Before)
	}
	return r
}

// sum adds beacons up to sites and to the whole.
func (b *Builder) sum(r *Report) {
	var all tally
	var shares []float64
	for i := 0; i < len(r.Beacons); {
		site := tally{}
		var inSite []float64
		first := r.Beacons[i]
		for ; i < len(r.Beacons) && r.Beacons[i].Site == first.Site; i++ {
			t := b.beacons[r.Beacons[i].Beacon]
			site.merge(t)
			if t.wanted > 0 {
				inSite = append(inSite, float64(t.slots.Sent)/(float64(t.wanted)*t.priority))
			}
		}
		all.merge(&site)
		shares = append(shares, inSite...)
		r.Sites = append(r.Sites, Site{first.Site, b.beacons[first.Beacon].locator, site.figures(inSite)})
	}
	r.Figures = all.figures(shares)
}

// compare adds what was a period ago.
func (r *Report) compare(before *Report) {
	r.Before = &before.Figures
	was := map[string]*Beacon{}
	for i := range before.Beacons {
		was[before.Beacons[i].Beacon] = &before.Beacons[i]
	}
	for i := range r.Beacons {
		if old := was[r.Beacons[i].Beacon]; old != nil && old.Minutes > 0 {
			r.Beacons[i].BeforeUptime, r.Beacons[i].BeforeSent = old.Uptime, &old.Sent
		}
	}
}

func (b *Builder) hourly() []HourlyClock {
	hours := []HourlyClock{}
	for i, h := range b.clock {
		s := spreadOf(h, b.worst[i], 1e9)
		if s == nil {
			continue
		}
		at := b.options.Period.From.Truncate(time.Hour).Add(time.Duration(i) * time.Hour)
		hours = append(hours, HourlyClock{at.UTC(), s.Median, s.P95, s.Worst})
	}
	return hours
}

func jain(shares []float64) *float64 {
	if len(shares) == 0 {
		return nil
	}
	index := plan.Jain(shares)
	return &index
}
