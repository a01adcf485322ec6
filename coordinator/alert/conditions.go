package alert

import (
	"slices"
	"time"
)

// Code names a condition.
type Code string

// Severity says how bad a condition is.
type Severity string

// The severities, each worse than the one before.
const (
	Notice  Severity = "notice"  // worth a look this week
	Warning Severity = "warning" // it costs transmissions, or will
	Safety  Severity = "safety"  // a transmitter may do what it must not
)

var severities = []Severity{Notice, Warning, Safety}

// AtLeast says whether s is as bad as other, or worse.
func (s Severity) AtLeast(other Severity) bool {
	return slices.Index(severities, s) >= slices.Index(severities, other)
}

// Condition is one kind of thing that may be wrong.
type Condition struct {
	Code     Code
	Title    string
	Severity Severity
	Raise    time.Duration // true for so long before anybody hears
	Clear    time.Duration // false for so long before it is over
	HiddenBy []Code        // an open one of these, of the same beacon, its site or the network, explains it
	Advice   string
}

// The conditions.
const (
	DatabaseAway      Code = "database_away"
	DatabaseSlow      Code = "database_slow"
	BrokerAway        Code = "broker_away"
	NetworkUnheard    Code = "network_unheard"
	PlanFails         Code = "plan_fails"
	PlanOld           Code = "plan_old"
	SiteDark          Code = "site_dark"
	NobodyOnDuty      Code = "nobody_on_duty"
	Unheard           Code = "unheard"
	GPSLost           Code = "gps_lost"
	ClockError        Code = "clock_error"
	ClockBeyond       Code = "clock_beyond"
	FrequencyError    Code = "frequency_error"
	OrdersUnconfirmed Code = "orders_unconfirmed"
	LeaseShort        Code = "lease_short"
	SlotsMissed       Code = "slots_missed"
	Mute              Code = "mute"
	OffPlan           Code = "off_plan"
	KeyerTripped      Code = "keyer_tripped"
	KeyStuck          Code = "key_stuck"
	SupplyOut         Code = "supply_out"
	SupplyEnds        Code = "supply_ends"
	TooHot            Code = "too_hot"
	ReflectedHigh     Code = "reflected_high"
	HeardByNobody     Code = "heard_by_nobody"
	ShareMissed       Code = "share_missed"
	RecordsMissing    Code = "records_missing"
	IdentityTwice     Code = "identity_twice"
	CallsignTwice     Code = "callsign_twice"
	CertificateEnds   Code = "certificate_ends"
	LicenceEnds       Code = "licence_ends"
	PaperEnds         Code = "paper_ends"
	OutboxFull        Code = "outbox_full"
	ProgramOld        Code = "program_old"
)

const (
	second = time.Second
	minute = time.Minute
)

// cut are the conditions that cut a beacon off, so that nothing it said counts.
var cut = []Code{Unheard, SiteDark, NetworkUnheard, BrokerAway}

func after(more ...Code) []Code { return append(more, cut...) }

// conditions is the list of all that may be wrong, from the whole network down.
var conditions = []Condition{
	{
		DatabaseAway, "no connection to the database", Warning, 60 * second, minute, nil,
		"See whether Postgres runs, whether its disk is full, and whether the coordinator reaches it. Until it answers nothing is recorded, no lease is renewed and no other alert is told: beacons fall silent as their leases end.",
	},
	{
		DatabaseSlow, "database answers slowly", Warning, 2 * minute, 5 * minute, nil,
		"See what else that machine does, and how full its disk is. While it is slow, alerts and leases come late.",
	},
	{
		BrokerAway, "no connection to the broker", Warning, 20 * second, minute, nil,
		"See whether the broker runs and whether the coordinator reaches it. Beacons go on until their leases end.",
	},
	{
		NetworkUnheard, "no beacon is heard", Warning, 15 * second, minute,
		[]Code{BrokerAway},
		"With all sites silent at once it is rarely the sites: look at the coordinator's own line and at the broker.",
	},
	{
		PlanFails, "no plan can be made", Warning, 2 * minute, minute, nil,
		"Correct what the reason names, mostly in the fleet file, and apply it. Beacons go on with the orders that they hold, at most for a day.",
	},
	{
		PlanOld, "no new plan", Warning, minute, minute,
		[]Code{PlanFails},
		"Read the coordinator's log for why planning fails. Beacons go on with the orders that they hold, at most for a day.",
	},
	{
		SiteDark, "whole site unheard", Warning, 15 * second, 2 * minute,
		[]Code{NetworkUnheard, BrokerAway},
		"All its beacons went at once: ask about power and the line to the site. If it is switched off on purpose, say so under dark: in the fleet file.",
	},
	{
		NobodyOnDuty, "nobody on duty", Notice, 5 * minute, minute, nil,
		"Take over (lamplighter duty start), or put somebody on the roster: until then no lease for remote control is given there.",
	},
	{
		Unheard, "beacon unheard", Warning, 15 * second, minute,
		[]Code{SiteDark, NetworkUnheard, BrokerAway},
		"See whether the computer at the beacon has power and its line; then read the agent's log there.",
	},
	{
		GPSLost, "GPS lock lost", Warning, 60 * second, 300 * second, cut,
		"Look at the GPS antenna, its cable and plug, and at what may have come to stand over it.",
	},
	{
		ClockError, "clock error grows", Warning, 60 * second, 300 * second, after(GPSLost, ClockBeyond),
		"Look at the source of time: the receiver, its pulse, or the time servers.",
	},
	{
		ClockBeyond, "clock too uncertain to transmit", Warning, 30 * second, 300 * second, after(GPSLost),
		"Give it a source of time again. It transmits by itself once the clock is known well enough.",
	},
	{
		FrequencyError, "frequency less certain than planned", Warning, 60 * second, 300 * second, after(GPSLost),
		"See whether the oscillator is disciplined. If it can't be, state its true uncertainty_ppm in the fleet file.",
	},
	{
		OrdersUnconfirmed, "orders not confirmed", Warning, 5 * minute, minute, after(KeyerTripped),
		"Read the agent's log: it may lack disk space, be too old for these orders, or hold another coordinator's key.",
	},
	{
		LeaseShort, "lease about to end", Warning, 30 * second, minute, after(OrdersUnconfirmed),
		"The beacon is heard but gets no new lease; the coordinator's log says why it was refused.",
	},
	{
		SlotsMissed, "slots missed", Warning, 0, minute, after(GPSLost, ClockBeyond, FrequencyError, KeyerTripped, LeaseShort, OrdersUnconfirmed, Mute),
		"The reason that the beacon gives stands beside each slot in its history.",
	},
	{
		Mute, "beacon would not transmit", Warning, 60 * second, minute, after(GPSLost, ClockBeyond, FrequencyError, KeyerTripped, LeaseShort, OrdersUnconfirmed, ProgramOld),
		"Remove the reason that it gives; it then transmits by itself in its next slot.",
	},
	{
		OffPlan, "transmission that no order covers", Safety, 0, 60 * minute, nil,
		"Stop it first: lamplighter hush --beacon NAME. Then find out which orders it worked by.",
	},
	{
		KeyerTripped, "keyer tripped", Safety, 0, minute, nil,
		"Go there, find what it tripped on, and re-arm it with a reason. It stays silent until then.",
	},
	{
		KeyStuck, "keyed beyond the slot's end", Safety, 10 * second, minute, nil,
		"Stop it: lamplighter hush --beacon NAME. If it does not confirm silence, have somebody cut the transmitter's power.",
	},
	{
		SupplyOut, "supply voltage out of range", Warning, 60 * second, 300 * second, cut,
		"Look at the power supply, the battery and its charger.",
	},
	{
		SupplyEnds, "battery runs out", Warning, 10 * minute, 30 * minute, cut,
		"Charge it, or lower the beacon's share in the fleet file or pause it, so that it lasts until the charger works again.",
	},
	{
		TooHot, "too hot", Warning, 120 * second, 600 * second, cut,
		"Look at fans and sun; lower its share in the fleet file until it is cool.",
	},
	{
		ReflectedHigh, "much power comes back from the antenna", Warning, 0, 600 * second, cut,
		"Look at antenna, feed line and filters before it transmits on; a hush keeps it silent meanwhile.",
	},
	{
		HeardByNobody, "heard by nobody", Notice, 0, minute, cut,
		"Look at antenna, feed line and the filter of that band, and measure what power really leaves. If all is well it may just not carry far there: then silence this alert.",
	},
	{
		ShareMissed, "less than its fair share for a week", Notice, 0, minute,
		after(GPSLost, ClockBeyond, FrequencyError, KeyerTripped, LeaseShort, OrdersUnconfirmed, SlotsMissed, Mute, ProgramOld),
		"The reasons stand beside its slots (lamplighter report). Remove the one that cost most: what is lost is never made up.",
	},
	{
		RecordsMissing, "records missing", Notice, 30 * minute, minute, cut,
		"The agent may have lost its disk, or still be sending. If they stay missing, look at the disk there.",
	},
	{
		IdentityTwice, "one identity, two devices", Safety, 0, 60 * minute, nil,
		"A copied card has the same certificate: switch both devices off, revoke the beacon, and enrol the right one anew.",
	},
	{
		CallsignTwice, "call sign used at two sites", Notice, 0, minute, nil,
		"Receivers can't tell the two apart on a band that both use. Change one of them in the fleet file, unless it is meant so.",
	},
	{
		CertificateEnds, "device certificate ends", Warning, minute, minute, nil,
		"The agent renews it by itself while it is connected. If it does not, read its log, or enrol it anew.",
	},
	{
		LicenceEnds, "licence ends", Warning, minute, minute, nil,
		"Renew it and correct valid_to in the fleet file. The beacon is silent from that day on.",
	},
	{
		PaperEnds, "permit or calibration ends", Notice, minute, minute, nil,
		"Renew it, and correct valid_to under papers in the fleet file. Nothing else follows from it here.",
	},
	{
		OutboxFull, "outbox fills", Warning, 300 * second, 600 * second, nil,
		"Its records are not taken: read the coordinator's log for refused records, and see whether its line is too slow.",
	},
	{
		ProgramOld, "agent's program too old", Warning, minute, minute, cut,
		"Update the agent. Until then it can't read its orders, and is silent.",
	},
}

var byCode = func() map[Code]*Condition {
	index := map[Code]*Condition{}
	for i := range conditions {
		index[conditions[i].Code] = &conditions[i]
	}
	return index
}()

// Conditions lists all of them.
func Conditions() []Condition { return slices.Clone(conditions) }

// Lookup gives a condition by its code, nil where there is none.
func Lookup(code Code) *Condition { return byCode[code] }
