package planner

// Limit is a set of the limits that can stand between a beacon and a slot.
type Limit uint32

// The limits. A beacon that is short of what it wants is told which binds.
const (
	LimitSite      Limit = 1 << iota // the site's transmitters_at_once
	LimitEquipment                   // equipment that is shared
	LimitNear                        // a beacon at the same or a near site is on the band
	LimitSignals                     // max_signals_per_band
	LimitWindow                      // the width of the band's window
	LimitTogether                    // bands not_together at the site
	LimitQuiet                       // the site's quiet_share
	LimitListen                      // the site's listen share on the band
	LimitAmplifier                   // max_in_30min
	LimitRest                        // rest after each transmission
	LimitRate                        // rule 6: never more often than wanted
	LimitOpen                        // pause, sun, licence's dates
	LimitBusy                        // already on the air in that slot
	LimitFixed                       // about to begin, or a lease is out
)

// limits is how many there are.
const limits = 14

var limitNames = [limits]string{
	"site", "equipment", "near", "signals", "window", "not_together", "quiet",
	"listen", "amplifier", "rest", "share", "closed", "busy", "fixed",
}

// String names a single limit.
func (l Limit) String() string {
	for i, name := range limitNames {
		if l == 1<<i {
			return name
		}
	}
	if l == 0 {
		return "none"
	}
	return "several"
}

// MarshalText returns what String returns.
func (l Limit) MarshalText() ([]byte, error) { return []byte(l.String()), nil }
