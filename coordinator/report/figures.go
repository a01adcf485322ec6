package report

import (
	"time"

	"lamplighter/coordinator/rollup"
)

// Schema names the form of a report as JSON. Fields may be added under the same
// name; a field that is absent is not known.
const Schema = "lamplighter/report/1"

// Report is all that is told of a period.
type Report struct {
	Schema  string    `json:"schema"`
	Network string    `json:"network"` // its name
	ID      string    `json:"network_id"`
	Scope   string    `json:"scope,omitempty"` // such as "site hilltop"; absent: the whole network
	Week    string    `json:"week,omitempty"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to"` // exclusive
	Zone    string    `json:"time_zone"`
	Hours   float64   `json:"hours"`
	Over    bool      `json:"over"` // the period has ended

	MadeAt     time.Time `json:"made_at"`
	CompleteTo time.Time `json:"complete_to"`
	Revision   int       `json:"revision"`          // counts from 1
	Revised    []string  `json:"revised,omitempty"` // what changed since the revision before

	Figures               // of everything together
	Before  *Figures      `json:"before,omitempty"` // of the period before
	Sites   []Site        `json:"sites"`
	Beacons []Beacon      `json:"beacons"`
	Bands   []Band        `json:"bands"`
	Days    []time.Time   `json:"days"`  // when the days of the heat map begin
	Clock   []HourlyClock `json:"clock"` // by hour
	Heard   []Heard       `json:"heard,omitempty"`

	Outages    []Outage    `json:"outages"`
	Hushes     []Hush      `json:"hushes"`
	Pauses     []Pause     `json:"pauses"`
	Alerts     []Alert     `json:"alerts"`
	Changes    []Change    `json:"changes"`
	Shortfalls []Shortfall `json:"shortfalls"`
}

// Figures are what is counted of a beacon, a site or the network.
type Figures struct {
	Minutes   int      `json:"minutes"` // of the period, for each beacon
	Heard     int      `json:"minutes_heard"`
	Ready     int      `json:"minutes_ready"`
	Locked    int      `json:"minutes_locked"`
	Holdover  int      `json:"minutes_holdover"`
	Uptime    *float64 `json:"uptime,omitempty"`    // heard of all minutes
	Readiness *float64 `json:"readiness,omitempty"` // ready of all minutes

	Slots
	Reasons []ReasonCount `json:"reasons"`

	Airtime   float64    `json:"airtime_seconds"`
	Clock     *Spread    `json:"clock_error_seconds,omitempty"`
	WorstAt   *time.Time `json:"clock_error_worst_at,omitempty"`
	Frequency *Spread    `json:"frequency_error_ppb,omitempty"`

	OutageCount   int `json:"gps_outages"`        // times that GPS was not locked
	OutageMinutes int `json:"gps_outage_minutes"` // of them all

	Wanted  int64    `json:"wanted"`          // transmissions, by the shares of the fleet file
	Jain    *float64 `json:"jain,omitempty"`  // of sent by wanted, over beacons
	Missing int64    `json:"records_missing"` // numbered records that never came
}

// Slots count ordered slots by how they ended.
type Slots struct {
	Ordered    int64 `json:"ordered"`
	Sent       int64 `json:"sent"`
	Skipped    int64 `json:"skipped"`
	Aborted    int64 `json:"aborted"`
	Unreported int64 `json:"unreported"`
	Open       int64 `json:"open"`
	Withdrawn  int64 `json:"withdrawn"` // not among ordered
	Unordered  int64 `json:"unordered"` // likewise
}

// ReasonCount says how many slots ended so for a reason.
type ReasonCount struct {
	Band   string `json:"band"`
	Ending string `json:"ending"`
	Reason string `json:"reason"`
	Slots  int64  `json:"slots"`
}

// Spread tells of the bounds on an error.
type Spread struct {
	Median  float64 `json:"median"`
	P95     float64 `json:"p95"`
	P99     float64 `json:"p99"`
	Worst   float64 `json:"worst"`
	Samples int64   `json:"samples"`
}

// Site is a site with its figures.
type Site struct {
	Site    string `json:"site"`
	Locator string `json:"locator,omitempty"`
	Figures
}

// Beacon is a beacon with its figures.
type Beacon struct {
	Beacon   string `json:"beacon"`
	Site     string `json:"site"`
	Callsign string `json:"callsign,omitempty"`
	Figures
	BeforeUptime *float64 `json:"before_uptime,omitempty"`
	BeforeSent   *int64   `json:"before_sent,omitempty"`
	Strip        []uint8  `json:"-"` // minutes heard of each hour of the period
	Blocks       []Block  `json:"blocks"`
}

// Block is a beacon's part of a band in four hours of the UTC day.
type Block struct {
	Band    string  `json:"band"`
	Hour    int     `json:"hour"` // at which the block begins: 0, 4 … 20
	Wanted  float64 `json:"wanted"`
	Granted int64   `json:"granted"`
	Sent    int64   `json:"sent"`
}

// Band is a band with what was sent on it.
type Band struct {
	Band string `json:"band"`
	Slots
	Airtime float64     `json:"airtime_seconds"`
	Heat    [][24]int64 `json:"heat"` // sent, by day of the period and hour of the day
}

// HourlyClock is how good the clocks were in an hour, over all beacons.
type HourlyClock struct {
	At     time.Time `json:"at"`
	Median float64   `json:"median_seconds"`
	P95    float64   `json:"p95_seconds"`
	Worst  float64   `json:"worst_seconds"`
}

// Outage is a time in which a beacon said that its GPS was not locked, or was
// not heard at all.
type Outage struct {
	Beacon  string    `json:"beacon"`
	Kind    string    `json:"kind"` // gps or silent
	From    time.Time `json:"from"`
	To      time.Time `json:"to"`
	Minutes int       `json:"minutes"`
	// Minutes of it in holdover.
	Holdover int `json:"minutes_holdover,omitempty"`
}

// Hush is an order to be silent that was in force in the period.
type Hush struct {
	Scope         string     `json:"scope"`
	From          time.Time  `json:"from"`
	To            *time.Time `json:"to,omitempty"` // absent: it still is
	By            string     `json:"by"`
	Reason        string     `json:"reason"`
	ReleasedBy    string     `json:"released_by,omitempty"`
	ReleaseReason string     `json:"release_reason,omitempty"`
}

// Pause is a planned pause.
type Pause struct {
	Scope  string    `json:"scope"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Reason string    `json:"reason"`
}

// Alert is an alert that was raised in the period or stood at its beginning.
type Alert struct {
	What         string     `json:"what"`
	Beacon       string     `json:"beacon,omitempty"`
	RaisedAt     time.Time  `json:"raised_at"`
	ClearedAt    *time.Time `json:"cleared_at,omitempty"`
	Acknowledged *time.Time `json:"acknowledged_at,omitempty"`
	By           string     `json:"acknowledged_by,omitempty"`
}

// Change is a change to the fleet file.
type Change struct {
	At      time.Time `json:"at"`
	Version int64     `json:"version"`
	By      string    `json:"by"`
	Changes []string  `json:"changes"`
}

// Shortfall says why a beacon is granted less than it wants.
type Shortfall struct {
	Beacon  string `json:"beacon"`
	Band    string `json:"band,omitempty"`
	Days    int    `json:"days"` // on which a plan said so
	Wanted  int64  `json:"wanted"`
	Granted int64  `json:"granted"`
	Reason  string `json:"reason"`
}

// Heard is who received a beacon on a band.
type Heard struct {
	Beacon     string    `json:"beacon"`
	Band       string    `json:"band"`
	Reports    int64     `json:"reports"`
	Receivers  int64     `json:"receivers"`
	FarthestKm float64   `json:"farthest_km"`
	Farthest   string    `json:"farthest_receiver"`
	Share      *float64  `json:"share,omitempty"` // of the transmissions sent, heard by anybody
	First      time.Time `json:"first"`
	Last       time.Time `json:"last"`
	Rose       []Sector  `json:"rose,omitempty"`
}

// Sector is a direction of a rose and the farthest report in it by hours of the
// UTC day.
type Sector struct {
	Bearing int       `json:"bearing_degrees"` // its middle
	Reports int64     `json:"reports"`
	Km      []float64 `json:"farthest_km"` // by four hours of the UTC day; 0: none
}

func ratio(part, whole int) *float64 {
	if whole == 0 {
		return nil
	}
	share := float64(part) / float64(whole)
	return &share
}

// spreadOf tells of a histogram in units of so many of its own.
func spreadOf(h rollup.Histogram, worst int64, per float64) *Spread {
	median, ok := h.Percentile(50)
	if !ok {
		return nil
	}
	p95, _ := h.Percentile(95)
	p99, _ := h.Percentile(99)
	return &Spread{float64(median) / per, float64(p95) / per, float64(p99) / per, float64(worst) / per, h.Count()}
}
