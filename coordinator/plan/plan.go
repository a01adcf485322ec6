// Package plan is the plan file, the checker of what a plan must never do, and
// the figures of how good it is. It knows nothing of how plans are made: the
// planner is tested with it, and an operator can check any plan by it, from two
// files alone, the fleet and the plan.
//
// # Parts
//
//   - Decode and Encode: the file. One plan has one encoding, a transmission a
//     line, so that two plans can be compared line by line.
//   - Check: the rules. An ordered list of steps, each of which looks at the plan
//     in one way: a transmission by itself, the sequence of a beacon, the
//     transmissions of a slot, the day of a site, the list of shortfalls. It
//     asks pauses and sun directly for each transmission and does not use
//     fleet.Openings, which the planner plans with, so that a mistake in those
//     shows. Only the demands in the list of shortfalls are counted from them.
//   - Measure: the figures.
//   - Demand, Wants: how much airtime a beacon wants, in one place for all.
//
// # How the rules are read where their words leave it open
//
//   - History counts for rest, share, max_in_30min and pairs along a beacon's
//     sequence, and for quiet and listen shares of the day in which the plan
//     begins. A breach is reported only where a transmission of the plan takes
//     part in it. History at or after the plan's start is not looked at.
//   - Of a day count the slots from the start of the history, or else of the
//     plan, to the end of the plan; listen shares are rounded down as quiet
//     shares are.
//   - Taken slots stand in the way of other beacons: rules 2, 3, 4 and 7 in a slot
//     hold for the plan and the taken slots together. A beacon that stands in
//     both in one slot sends in one of the two ways; both must suit all others.
//     Taken slots may stay unused, so they don't count for rest, shares or days.
//   - The 8 minutes of a pair and the 15 slots of max_in_30min are taken as they
//     stand, with slots of other lengths too.
//   - A missed pair is a full message where an extended one was allowed, unless
//     the next transmission completes a pair with it: full, full, extended has as
//     many pairs as full, extended, full.
//   - Frequencies may differ from their limits by a millionth of a hertz, for
//     rounding in a file.
package plan

import "time"

// Plan is the plan file: who transmits when, on which band and frequency.
// History, previous plan and taken slots have the same form.
type Plan struct {
	Network       string         `json:"network"`
	From          time.Time      `json:"from"`
	To            time.Time      `json:"to"`
	SlotSeconds   int64          `json:"slot_seconds"`
	Transmissions []Transmission `json:"transmissions"`
	Shortfalls    []Shortfall    `json:"shortfalls"`
}

// Transmission is one beacon's use of one slot. Sorted by start, then beacon.
type Transmission struct {
	Start       time.Time `json:"start"`
	Beacon      string    `json:"beacon"`
	Band        string    `json:"band"`
	FrequencyHz float64   `json:"frequency_hz"`      // centre of the signal on the air
	Message     Message   `json:"message,omitempty"` // "" is Full
}

// Message says which half of a pair a transmission carries.
type Message string

// Full carries the full call sign; Extended the six-character locator.
const (
	Full     Message = "full"
	Extended Message = "extended"
)

// Shortfall says who gets less than wanted, and the limit that binds.
type Shortfall struct {
	Beacon  string `json:"beacon"`
	Band    string `json:"band,omitempty"` // set: this band can't be used at all
	Wanted  int    `json:"wanted"`
	Granted int    `json:"granted"`
	Reason  string `json:"reason"`
}
