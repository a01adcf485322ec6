package fleet

import (
	"time"

	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

// Fleet is a network as its owner wrote it down: checked, completed with the
// defaults, every reference resolved. It is never changed after Read.
type Fleet struct {
	Network     Network
	Sites       []*Site      // in the order of the file
	Beacons     []*Beacon    // in the order of the file
	Pauses      []*Pause     // in the order of the file, then those of dark sites
	Subscribers []Subscriber // of weekly reports
	Receivers   []*Receiver  // in the order of the file
	Alerts      Alerts
	Public      Public
	Dark        []Dark   // in the order of the file
	Warnings    Findings // what is allowed but deserves a look

	siteByName   map[string]*Site
	beaconByName map[string]*Beacon
}

// Network holds what is true of all sites.
type Network struct {
	Name              string
	ID                string      // [a-z0-9-]{1,64}
	Slot              slot.Length // seconds
	Near              Nearness
	MaxSignalsPerBand int
	Guard             Decimal // hertz between neighbouring own signals
	Bands             *band.Table
	Zone              *time.Location // in which its weeks begin; nil: see Calendar
}

// Nearness tells which sites count as one place on a band.
type Nearness struct {
	Default Decimal            // kilometres
	ByBand  map[string]Decimal // kilometres, where a band has its own
	Near    [][2]string        // pairs of site names that are near whatever the distance
	Apart   [][2]string        // pairs that are not, whatever the distance
}

// Site is a place with antennas and somebody who answers for it.
type Site struct {
	Name               string
	Locator            locator.Locator
	Zone               *time.Location
	TransmittersAtOnce int
	NotTogether        [][2]string // bands that never share a slot here
	Listen             []Listen
	Quiet              Decimal // share of a day's slots without any transmission
	DutyRequired       bool    // remote control only while somebody on duty is in control
	Limits             Limits  // that hold here
	Papers             []Paper
}

// Listen keeps a band free at a site for part of each UTC day.
type Listen struct {
	Band  string
	Share Decimal
}

// Control says who can stop a transmitter, by the trade's three kinds.
type Control string

// The kinds of control, as a licence knows them.
const (
	Local     Control = "local"     // an operator stands beside it
	Remote    Control = "remote"    // an operator at a control point, over the link
	Automatic Control = "automatic" // unattended, where the licence allows it
)

// Announce is how many characters of the locator go on the air.
type Announce int

// Beacon is one transmitter with its call sign.
type Beacon struct {
	Name        string
	Callsign    string
	Site        *Site
	Announce    Announce // 4 or 6; a compound call sign always sends 6 in its second message
	PowerDBm    int      // the power of bands that state none
	Licence     Licence
	Share       Decimal
	Rest        int      // silent slots after each transmission
	Shared      []string // equipment at the site that only one transmission can use at a time
	MaxIn30Min  int      // transmissions in any 15 consecutive slots; 0 is no limit
	Filters     []Filter
	Plugged     string  // the plug-in filter that is in place; "" is none
	Uncertainty Decimal // parts per million
	Bands       []BandUse
	Paused      bool
	Priority    Decimal
	Limits      Limits // that hold here
	Papers      []Paper
	Notes       []string // for people
}

// BandUse is one of a beacon's bands, completed from the beacon's own values.
type BandUse struct {
	Band     band.Band
	Weight   Decimal
	Sun      Sun
	Drive    int // percent
	PowerDBm int
	Control  Control
}

// Sun is a rule about the sun's elevation at the site at mid-slot.
type Sun string

// The rules: by day, by night, or at any time.
const (
	Day     Sun = "day"
	Night   Sun = "night"
	AnyTime Sun = "any"
)

// Licence is what the holder declares; the zero dates mean no limit in time.
type Licence struct {
	Declared    bool // false: nothing was written, so power_dbm is the limit
	MaxPowerDBm int
	ValidFrom   time.Time // UTC, start of the first day
	ValidTo     time.Time // UTC, end of the last day (exclusive)
	Segments    []Segment // none: any band of the beacon
}

// Paper is what runs out besides the licence, such as a permit for a mast or a
// calibration. Nothing but a reminder follows from it.
type Paper struct {
	What    string
	ValidTo time.Time // UTC, end of the last day (exclusive)
}

// Segment is a licensed piece of spectrum.
type Segment struct {
	FromHz, ToHz int64
	LimitDBm     int
}

// Filter is a band filter between transmitter and antenna.
type Filter struct {
	Name   string
	Passes []string // band names
	Plug   bool     // true: put in by hand; false: switched by a relay
}

// Pause closes every slot that it overlaps for all in its scope.
type Pause struct {
	Scope  Scope
	From   time.Time // a single pause, UTC
	To     time.Time
	Rule   string        // RFC 5545 recurrence rule, read in the zone of each beacon's site; "" for a single pause
	Start  LocalTime     // of a recurring pause
	Length time.Duration // of a recurring pause: elapsed time
	Reason string
}

// Scope is any subset of site, beacon and band; empty is the whole network.
type Scope struct {
	Site, Beacon, Band string
}
