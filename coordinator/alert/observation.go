package alert

import (
	"slices"
	"time"

	"lamplighter/coordinator/fleet"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

// Observation is all that the coordinator knows at a moment. What is zero is not
// known.
type Observation struct {
	Fleet        *fleet.Fleet
	Beacons      map[string]Beacon // by name
	BrokerAway   bool
	ReadTook     time.Duration   // how long the database took to tell all this
	PlanMadeAt   time.Time       // of the plan in force
	PlanFails    string          // why no plan can be made, in a sentence
	OnDuty       map[string]bool // sites where somebody is in control
	BrokerSince  time.Time       // when the broker was connected last
	LeadingSince time.Time       // when this coordinator began to lead
}

// Beacon is what is known of one.
type Beacon struct {
	LastSeen time.Time
	Health   *wirev1.Health // of HealthAt
	HealthAt time.Time

	LeaseGranted, LeaseUntil time.Time // of the latest lease
	OrdersSince              time.Time // since when it holds older orders than the latest; zero: it holds them

	Missed       int      // ordered slots in a row that were not sent
	MissedReason string   // of the latest of them
	OffPlan      *Stray   // the latest transmission that no order covers, of the last hour
	HeardOff     *Hearsay // likewise, but by the word of receivers
	MissingFrom  int64    // records that are missing, of all its runs
	Conflict     time.Time
	Cloned       string // what happened, in a sentence; of the last hour

	CertificateEnds time.Time

	Days      []Day      // its last UTC days, today first
	Supply    []Volts    // of the last hours, oldest first
	DeadBands []DeadBand // the bands on which nobody hears it
}

// Stray is a transmission that no order covers.
type Stray struct {
	At   time.Time
	Band string
	Hz   float64
}

// Hearsay is what receivers agree to have heard of a call sign.
type Hearsay struct {
	Stray
	Callsign  string
	Receivers []string // one: in two slots in a row
}

// Day is how a UTC day of a beacon went.
type Day struct {
	Fair  int64         // slots that the plan gave it, but for those that people kept silent
	Sent  int64         // of these
	Heard time.Duration // for how long the beacon was heard
	Lost  string        // the reason that cost most of them
}

// Volts is the voltage of a supply at a time.
type Volts struct {
	At    time.Time
	Volts float64
}

// DeadBand is a band on which nobody heard a beacon, and others were heard.
type DeadBand struct {
	Band         string
	Since        time.Time
	Sent, Others int64 // times that it sent since, and reports of others
}

// Key says of what a condition is true: of a beacon, of a site where Beacon is
// empty, of the network where both are.
type Key struct {
	Code         Code
	Site, Beacon string
}

// Finding is a condition that is true now.
type Finding struct {
	Key
	Sentence string
	Step     int // grows as it becomes more urgent; each step is told anew
}

// Times after which a beacon counts as unheard.
const (
	Late = 60 * time.Second
	Lost = 90 * time.Second
)

// Found is what a look at an observation gives.
type Found struct {
	Findings []Finding
	fleet    *fleet.Fleet
	blind    map[string]bool // beacons whose last word is too old to tell how they are
	deaf     bool            // nobody has listened for long enough to miss anybody
}

// unknown says that nothing is known of a condition now, so that its alert stays
// as it is: neither an unplugged cable nor our own restart mends anything.
func (f *Found) unknown(key Key) bool {
	switch key.Code {
	case Unheard, SiteDark, NetworkUnheard:
		return f.deaf
	}
	return f.blind[key.Beacon] && slices.Contains(byCode[key.Code].HiddenBy, Unheard)
}

// course is how long an alert is true before it is raised, and false before it
// is cleared.
func (f *Found) course(key Key) (toRaise, toClear time.Duration) {
	condition := byCode[key.Code]
	if key.Code == GPSLost {
		if b := f.fleet.Beacon(key.Beacon); b != nil {
			return b.Limits.GPSLost, b.Limits.GPSBack
		}
	}
	return condition.Raise, condition.Clear
}

// Look says what is wrong.
func Look(o *Observation, now time.Time) *Found {
	l := &looker{o: o, now: now, dark: o.Fleet.DarkAt(now)}
	l.found.fleet, l.found.blind = o.Fleet, map[string]bool{}
	l.found.deaf = now.Sub(o.BrokerSince) < Lost || now.Sub(o.LeadingSince) < Lost
	l.network()
	for _, site := range o.Fleet.Sites {
		l.site(site)
	}
	l.hearing()
	l.callsigns()
	for _, b := range o.Fleet.Beacons {
		l.beacon(b)
	}
	return &l.found
}

type looker struct {
	o     *Observation
	now   time.Time
	dark  map[string]fleet.Dark
	found Found
}

func (l *looker) add(code Code, site, beacon, sentence string) {
	l.step(code, site, beacon, 0, sentence)
}

func (l *looker) step(code Code, site, beacon string, step int, sentence string) {
	l.found.Findings = append(l.found.Findings, Finding{Key{code, site, beacon}, sentence, step})
}

// unheardFor is how long nothing was heard of a beacon; 0 where it was never
// heard. Time in which nobody listened does not count.
func (l *looker) unheardFor(name string) time.Duration {
	seen := l.o.Beacons[name].LastSeen
	if seen.IsZero() {
		return 0
	}
	for _, listening := range []time.Time{l.o.BrokerSince, l.o.LeadingSince} {
		if seen.Before(listening) {
			seen = listening
		}
	}
	return l.now.Sub(seen)
}
