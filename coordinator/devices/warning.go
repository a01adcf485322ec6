package devices

import "time"

// Warning says how near the end of a certificate is.
type Warning string

// The warnings, each more urgent than the one before.
const (
	NoWarning Warning = ""
	ThirtyDay Warning = "thirty_days"
	SevenDays Warning = "seven_days"
	OneDay    Warning = "one_day"
	Over      Warning = "over"
)

// WarningFor says what is to be said of something that ends at the given time.
// A device renews 30 days ahead, so that a warning about one tells that it does
// not.
func WarningFor(end, now time.Time) Warning {
	const day = 24 * time.Hour
	switch left := end.Sub(now); {
	case left <= 0:
		return Over
	case left <= day:
		return OneDay
	case left <= 7*day:
		return SevenDays
	case left <= 30*day:
		return ThirtyDay
	}
	return NoWarning
}
