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
