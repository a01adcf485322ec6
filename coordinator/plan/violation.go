package plan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Rule names what a violation breaks.
type Rule string

// The rules, in the order of the planning problem: first what makes a file a
// plan for this fleet at all, then rules 1 to 8, then the list of shortfalls.
const (
	WrongNetwork  Rule = "network"        // plan, history, previous and taken are of the fleet's network and slot length
	OffGrid       Rule = "slot_grid"      // a transmission starts with a slot
	OutsidePlan   Rule = "plan_window"    // a transmission starts in [from, to)
	Unsorted      Rule = "sorted"         // by start, then beacon
	UnknownBeacon Rule = "unknown_beacon" // the beacon is in the fleet

	OncePerSlot  Rule = "once_per_slot" // 1: at most one transmission of a beacon in a slot
	OwnBand      Rule = "own_band"      // 1: only bands of the beacon
	BeaconPaused Rule = "beacon_paused" // 1: the beacon is marked as paused
	InPause      Rule = "pause"         // 1: the slot overlaps a pause
	SunRule      Rule = "sun"           // 1: the band's sun rule does not hold
	RestRule     Rule = "rest"          // 1: too few silent slots between two transmissions

	TransmittersAtOnce Rule = "transmitters_at_once" // 2: at a site
	SharedEquipment    Rule = "shared_equipment"     // 2: carries one transmission

	NearSites Rule = "near_sites" // 3: near sites on one band in one slot

	MaxSignals Rule = "max_signals" // 4: own signals on one band in one slot
	Spacing    Rule = "spacing"     // 4: between two signals
	Window     Rule = "window"      // 4: the signal leaves the band's window

	QuietShare Rule = "quiet_share" // 5: silent slots of a site in a day
	Share      Rule = "share"       // 6: more on the air than wanted

	FilterRule   Rule = "filter"        // 7: no fitted filter passes the band
	LicenceRule  Rule = "licence"       // 7: outside the licensed segments or above a limit
	LicenceDates Rule = "licence_dates" // 7: before or after the licence's dates
	MaxIn30Min   Rule = "max_in_30min"  // 7: the amplifier's limit
	NotTogether  Rule = "not_together"  // 7: bands that never share a slot at a site
	ListenShare  Rule = "listen_share"  // 7: slots kept free of a band at a site

	LoneExtended Rule = "lone_extended" // 8: an extended one without its full one before it
	MissedPair   Rule = "missed_pair"   // 8: a full one that could have completed a pair

	ShortfallList Rule = "shortfall" // the list of shortfalls is not true
)

// Violation is one breach of a rule.
type Violation struct {
	Rule     Rule      `json:"rule"`
	Start    time.Time `json:"start,omitzero"`    // of the slot or day concerned
	Beacons  []string  `json:"beacons,omitempty"` // involved, by name
	Sentence string    `json:"sentence"`
}

// String is the violation on one line.
func (v Violation) String() string {
	if v.Start.IsZero() {
		return fmt.Sprintf("%s: %s", v.Rule, v.Sentence)
	}
	return fmt.Sprintf("%s %s: %s", v.Start.Format(time.RFC3339), v.Rule, v.Sentence)
}

func sortViolations(all []Violation) {
	slices.SortStableFunc(all, func(a, b Violation) int {
		return cmp.Or(
			a.Start.Compare(b.Start),
			cmp.Compare(a.Rule, b.Rule),
			slices.CompareFunc(a.Beacons, b.Beacons, strings.Compare),
			cmp.Compare(a.Sentence, b.Sentence),
		)
	})
}
