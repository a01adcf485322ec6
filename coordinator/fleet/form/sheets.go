package form

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"lamplighter/proto/onair/wspr"
)

// Known is what fields can name.
type Known struct {
	Sites, Bands []string
}

// controls are the trade's three kinds, as licences know them.
var controls = []Choice{
	{"local", "local: an operator stands beside it"},
	{"remote", "remote: an operator at a control point, over the link"},
	{"automatic", "automatic: unattended, where the licence allows it"},
}

func choices(words []string) []Choice {
	list := make([]Choice, len(words))
	for i, w := range words {
		list[i] = Choice{w, w}
	}
	return list
}

// powers are those that a message can state.
func powers() []Choice {
	var list []Choice
	for _, dbm := range wspr.LegalPowers() {
		list = append(list, Choice{strconv.Itoa(dbm), fmt.Sprintf("%d dBm (%s)", dbm, watts(dbm))})
	}
	return list
}

func watts(dbm int) string {
	w := math.Pow(10, float64(dbm-30)/10)
	if w < 0.9995 {
		return fmt.Sprintf("%.3g mW", w*1000)
	}
	return fmt.Sprintf("%.3g W", w)
}

// Network is what is asked about the network.
func Network(known Known) Sheet {
	return Sheet{
		{Title: "What it is", Fields: []Field{
			{Key: "name", Label: "Name", Kind: Line, Required: true, Hint: "As people say it."},
			{Key: "id", Label: "Id", Kind: Line, Fixed: true, Usual: "made from the name", Hint: "a-z, 0-9 and '-'. It stands in every message to every beacon, so it stays."},
			{Key: "time_zone", Label: "Time zone of its weeks", Kind: Line, List: "zones", Usual: "that of its sites, or UTC", Hint: "When a week of reports begins. An IANA name such as Europe/Vienna."},
		}},
		{Title: "Who is near whom", Note: "Beacons at sites that are near never use the same band at the same time.", Fields: []Field{
			{Key: "near_km", Label: "Near means closer than", Kind: Rows, ByName: true, Usual: "30 km on every band", Hint: "default is every band that has no row of its own.", Columns: []Field{
				{Key: "band", Label: "Band", Kind: Pick, Choices: append([]Choice{{everywhere, "default"}}, choices(known.Bands)...)},
				{Key: "km", Label: "Distance", Unit: "km", Kind: Figure},
			}},
			{Key: "near", Label: "Near whatever the distance", Kind: Sets, Hint: "Two sites on each line, with a comma between."},
			{Key: "apart", Label: "Not near whatever the distance", Kind: Sets, Hint: "Two sites on each line, with a comma between."},
		}},
		{Title: "Signals and bands", Folded: true, Fields: []Field{
			{Key: "max_signals_per_band", Label: "Own signals in a band at once", Kind: Figure, Usual: "8"},
			{Key: "guard_hz", Label: "Clear space between own signals", Unit: "Hz", Kind: Figure, Usual: "2"},
			{Key: "slot_seconds", Label: "Length of a slot", Unit: "s", Kind: Figure, Usual: "120", Hint: "Another length is for trials: no receiver understands it."},
			{Key: "bands", Label: "Bands of its own", Kind: Rows, Hint: "A band that is not known here, or that is used in another way.", Columns: []Field{
				{Key: "name", Label: "Band", Kind: Line},
				{Key: "dial_hz", Label: "Dial", Unit: "Hz", Kind: Figure},
				{Key: "window_hz", Label: "Window, lowest and highest", Unit: "Hz", Kind: Figures, Usual: "1400, 1600"},
			}},
		}},
	}
}

// Site is what is asked about a site.
func Site(known Known) Sheet {
	return Sheet{
		{Title: "What it is", Fields: []Field{
			{Key: "name", Label: "Name", Kind: Line, Required: true, Fixed: true, Hint: "a-z, 0-9 and '-'. Pauses, people and records go by it, so it stays."},
			{Key: "locator", Label: "Locator", Kind: Line, Required: true, Hint: "Where the antennas stand: four, six or eight characters, such as IP62oa."},
			{Key: "time_zone", Label: "Time zone", Kind: Line, List: "zones", Usual: "Etc/UTC", Hint: "For pauses on the wall clock. An IANA name such as Europe/Vienna."},
			{Key: "duty", Label: "Remote control", Kind: Pick, Usual: "nobody has to be on duty", Choices: []Choice{{"optional", "nobody has to be on duty"}, {"required", "only while somebody on duty is in control"}}},
		}},
		{Title: "What can be on the air here", Fields: []Field{
			{Key: "transmitters_at_once", Label: "Transmitters at once", Kind: Figure, Usual: "1"},
			{Key: "not_together", Label: "Bands never sent together", Kind: Sets, Hint: "Two or more bands on each line, with commas between: 40m, 20m."},
			{Key: "listen", Label: "Kept free to listen", Kind: Rows, Hint: "For at least this part of each UTC day's slots nothing is sent on the band here.", Columns: []Field{
				{Key: "band", Label: "Band", Kind: Pick, Choices: choices(known.Bands)},
				{Key: "share", Label: "Part of the day", Kind: Figure, Hint: "0 to 1"},
			}},
			{Key: "quiet_share", Label: "Part of the day without any transmission", Kind: Figure, Usual: "0", Hint: "0 to 1 of a UTC day's slots."},
		}},
		{Title: "Papers", Folded: true, Fields: []Field{papers}},
		limits("site", "the network"),
	}
}

// Beacon is what is asked about a beacon.
func Beacon(known Known) Sheet {
	return Sheet{
		{Title: "What it is", Fields: []Field{
			{Key: "name", Label: "Name", Kind: Line, Required: true, Fixed: true, Hint: "a-z, 0-9 and '-'. Its agent, its key and its records go by it, so it stays."},
			{Key: "callsign", Label: "Call sign", Kind: Line, Required: true, Hint: "As it goes on the air."},
			{Key: "site", Label: "Site", Kind: Pick, Required: true, Choices: choices(known.Sites)},
			{Key: "control", Label: "Who can stop it", Kind: Pick, Usual: "as each band says", Choices: controls, Hint: "What the licence says."},
			{Key: "announce", Label: "Locator on the air", Kind: Pick, Usual: "4 characters", Choices: []Choice{{"4", "4 characters"}, {"6", "6 characters, in a second transmission"}}, Hint: "A call sign with '/' always sends 6."},
		}},
		{Title: "Power and licence", Note: "Agent and keyer refuse whatever lies outside the licence.", Fields: []Field{
			{Key: "power_dbm", Label: "Power", Kind: Pick, Usual: "as each band says", Choices: powers(), Hint: "It goes on the air. Only these can be stated."},
			{Key: "licence.max_power_dbm", Label: "Licensed power, at most", Unit: "dBm", Kind: Figure, Usual: "the power above"},
			{Key: "licence.valid_from", Label: "Licence valid from", Kind: Day, Usual: "always", Hint: "The first day, in UTC."},
			{Key: "licence.valid_to", Label: "Licence valid to", Kind: Day, Usual: "for ever", Hint: "The last day, in UTC."},
			{Key: "licence.segments", Label: "Licensed segments", Kind: Rows, Hint: "None: any band of the beacon.", Columns: []Field{
				{Key: "from_hz", Label: "From", Unit: "Hz", Kind: Figure},
				{Key: "to_hz", Label: "To", Unit: "Hz", Kind: Figure},
				{Key: "limit_dbm", Label: "At most", Unit: "dBm", Kind: Figure},
			}},
		}},
		{Title: "Time on the air", Fields: []Field{
			{Key: "share", Label: "Wanted part of the slots", Kind: Figure, Required: true, Hint: "0 to 1: 0.2 is every fifth slot."},
			{Key: "bands", Label: "Bands", Kind: Rows, ByName: true, Required: true, Hint: "What is left empty is as for the whole beacon.", Columns: []Field{
				{Key: "name", Label: "Band", Kind: Pick, Choices: choices(known.Bands)},
				{Key: "weight", Label: "Weight", Kind: Figure, Usual: "1"},
				{Key: "sun", Label: "Sun", Kind: Pick, Usual: "any", Choices: []Choice{{"any", "any"}, {"day", "day"}, {"night", "night"}}},
				{Key: "power_dbm", Label: "Power", Kind: Pick, Choices: powers()},
				{Key: "control", Label: "Control", Kind: Pick, Choices: choices([]string{"local", "remote", "automatic"})},
				{Key: "drive", Label: "Drive", Unit: "%", Kind: Figure, Usual: "100"},
			}},
			{Key: "rest", Label: "Silent slots after each transmission", Kind: Figure, Usual: "0"},
			{Key: "max_in_30min", Label: "Transmissions in 15 slots, at most", Kind: Figure, Usual: "no limit", Hint: "What the amplifier stands: 15 slots are half an hour."},
			{Key: "shared", Label: "Shares with others at the site", Kind: Names, Hint: "Antennas, amplifiers: what only one transmission can use at a time. Commas between."},
			{Key: "priority", Label: "Weight where there is too little airtime", Kind: Figure, Usual: "1"},
			{Key: "paused", Label: "Paused: it has no slots until this is taken back", Kind: Tick},
		}},
		{Title: "Oscillator and filters", Fields: []Field{
			{Key: "uncertainty_ppm", Label: "The oscillator may be off by", Unit: "ppm", Kind: Figure, Usual: "0.05", Hint: "0.05 takes a disciplined oscillator."},
			{Key: "filters", Label: "Band filters", Kind: Rows, Hint: "None: whatever is there passes every band. Of those with a plug only the one that is in place counts.", Columns: []Field{
				{Key: "name", Label: "Filter", Kind: Line},
				{Key: "passes", Label: "Passes", Kind: Names, Hint: "20m, 17m"},
				{Key: "fitted", Label: "Fitted by", Kind: Pick, Choices: choices([]string{"relay", "plug"})},
			}},
			{Key: "plugged", Label: "Plug-in filter in place", Kind: Line, Usual: "none"},
		}},
		{Title: "Notes and papers", Folded: true, Fields: []Field{
			{Key: "notes", Label: "What people should know of it", Kind: Lines, Hint: "A note on each line. They stand on its page."},
			papers,
		}},
		limits("beacon", "the site"),
	}
}

// papers are what ends on a day and has to be renewed.
var papers = Field{Key: "papers", Label: "Papers that end", Kind: Rows, Hint: "Permits, insurances, agreements: somebody is told before they end.", Columns: []Field{
	{Key: "what", Label: "What", Kind: Line},
	{Key: "valid_to", Label: "Valid to", Kind: Day},
}}

// Public is what is asked about the page that everybody may see.
func Public(Known) Sheet {
	return Sheet{{Title: "What everybody may see", Note: "A page without log-in: what is on the air, and the timeline of six hours before and after.", Fields: []Field{
		{Key: "page", Label: "There is such a page", Kind: Pick, Required: true, Choices: []Choice{{"true", "yes"}, {"false", "no"}}},
		{Key: "locator", Label: "Characters of each site's locator on it", Kind: Pick, Usual: "4", Choices: choices([]string{"0", "4", "6"})},
	}}}
}

// Receiver is what is asked about a receiver of the club's own.
func Receiver(Known) Sheet {
	return Sheet{{Title: "What it is", Note: "It brings its reports over MQTT, as a device with a certificate.", Fields: []Field{
		{Key: "name", Label: "Name", Kind: Line, Required: true, Fixed: true, Hint: "a-z, 0-9 and '-'. No beacon has the same. Its key goes by it, so it stays."},
		{Key: "callsign", Label: "Call sign", Kind: Line, Required: true, Hint: "As it stands in its reports."},
		{Key: "locator", Label: "Locator", Kind: Line, Required: true, Hint: "Where it listens: four, six or eight characters."},
	}}}
}

// limits are the figures beyond which somebody is told.
func limits(of, others string) Group {
	fields := figures()
	for i := range fields {
		fields[i].Key, fields[i].Usual = "alert_limits."+fields[i].Key, "as for "+others
	}
	return Group{Title: "When somebody is told", Note: "Where this " + of + " differs from " + others + ".", Folded: true, Fields: fields}
}

// figures are all limits, with what holds where a network states none.
func figures() []Field {
	return []Field{
		{Key: "clock_warning_ms", Label: "Clock may be wrong by more than", Unit: "ms", Kind: Figure, Usual: "100", Hint: "Above 500 ms a beacon is silent, whatever stands here."},
		{Key: "gps_lost_seconds", Label: "No GPS lock for longer than", Unit: "s", Kind: Figure, Usual: "60"},
		{Key: "gps_back_seconds", Label: "That is over once lock has held for", Unit: "s", Kind: Figure, Usual: "300"},
		{Key: "supply_low_volts", Label: "Supply below", Unit: "V", Kind: Figure, Usual: "never"},
		{Key: "supply_high_volts", Label: "Supply above", Unit: "V", Kind: Figure, Usual: "never"},
		{Key: "supply_empty_volts", Label: "A battery is cut off at", Unit: "V", Kind: Figure, Usual: "not known", Hint: "From there on the beacon is silent: how long is left is computed with it."},
		{Key: "temperature_high_celsius", Label: "Temperature above", Unit: "°C", Kind: Figure, Usual: "never"},
		{Key: "reflected_percent", Label: "Reflected power above", Unit: "%", Kind: Figure, Usual: "never", Hint: "Of the forward power."},
		{Key: "outbox_records", Label: "Records waiting at the beacon, more than", Kind: Figure, Usual: "5000"},
		{Key: "missed_slots", Label: "Slots missed in a row", Kind: Figure, Usual: "5"},
	}
}

// Limits is what is asked about when somebody is told, for the whole network.
func Limits(Known) Sheet {
	return Sheet{{Title: "From which figures on", Note: "For the whole network. A site, and a beacon, can have figures of its own.", Fields: figures()}}
}

// Recipient is what is asked about somebody who hears of alerts.
func Recipient(known Known) Sheet {
	where := ""
	if n := len(known.Sites); n > 0 && n <= 12 {
		where = " Sites are " + strings.Join(known.Sites, ", ") + "."
	}
	return Sheet{
		{Title: "Who it is", Fields: []Field{
			{Key: "name", Label: "Name", Kind: Line, Required: true, Fixed: true, Hint: "a-z, 0-9 and '-'. What was told to whom is kept by it, so it stays."},
			{Key: "time_zone", Label: "Time zone", Kind: Line, List: "zones", Usual: "UTC", Hint: "The hours below are on this clock. An IANA name such as Europe/Vienna."},
		}},
		{Title: "How it reaches them", Note: "Fill in one. Passwords and addresses of services stand in the coordinator's delivery file, not here.", Fields: []Field{
			{Key: "mail", Label: "By mail, to", Kind: Line, Hint: "An address such as secretary@example.org."},
			{Key: "service", Label: "By a chat or push service", Kind: Line, Hint: "Its name in the delivery file."},
			{Key: "webhook", Label: "By a web hook", Kind: Line, Hint: "Its name in the delivery file."},
			{Key: "topic", Label: "By the network's MQTT topic of alerts", Kind: Tick},
		}},
		{Title: "What they hear of", Fields: []Field{
			{Key: "routes", Label: "Only", Kind: Rows, Hint: "Each row adds a kind. Hours are such as 08:00-22:00, several sites have commas between." + where + " Minutes are for whoever stands in for others: they hear of it only if nobody has taken it on by then.", Usual: "everything, at any hour", Columns: []Field{
				{Key: "severity", Label: "How bad", Kind: Pick, Choices: []Choice{{"notice", "everything"}, {"warning", "warnings and safety"}, {"safety", "safety only"}}},
				{Key: "sites", Label: "At which sites", Kind: Names, Usual: "all"},
				{Key: "hours", Label: "In which hours", Kind: Line, Usual: "any"},
				{Key: "after_minutes", Label: "Only after", Unit: "minutes", Kind: Figure, Usual: "at once"},
			}},
		}},
	}
}

// Reports is what is asked about the weekly report.
func Reports(known Known) Sheet {
	return Sheet{{Title: "Sent by mail, each week", Note: "They get the report six hours after the week is over, and again if late records change a figure.", Fields: []Field{
		{Key: "reports", Label: "To whom", Kind: Rows, Usual: "nobody gets it", Columns: []Field{
			{Key: "mail", Label: "Mail", Kind: Line, Hint: "secretary@example.org"},
			{Key: "site", Label: "Of what", Kind: Pick, Choices: choices(known.Sites), Usual: "the whole network"},
		}},
	}}}
}
