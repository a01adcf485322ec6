package heard

import (
	"lamplighter/proto/onair/locator"
)

// Reason says why a report matches no transmission of ours.
type Reason string

// The reasons; the first: it does.
const (
	Matched         Reason = ""
	UnknownCallsign Reason = "unknown_callsign" // no beacon of ours has it
	NotOrdered      Reason = "not_ordered"      // we were not to transmit in the slot
	OtherBand       Reason = "other_band"       // we were on another band
	NotSent         Reason = "not_sent"         // it was ordered, and the beacon says it was silent
	Waiting         Reason = "waiting"          // the beacon has not said yet how the slot ended
)

// Transmission is a slot of a beacon with the call sign of a report.
type Transmission struct {
	Beacon     string
	Band       string
	Ending     string // sent, aborted, skipped, unreported, open
	Millihertz int64  // planned
}

// Match finds the transmission that a report is of, among all that its call sign
// had in its slot; known says whether a beacon has the call sign at all. It
// returns the index, or why there is none. What was aborted may have been heard.
func Match(r Reception, known bool, slots []Transmission) (int, Reason) {
	if !known && len(slots) == 0 {
		return -1, UnknownCallsign
	}
	reason := NotOrdered
	for i, t := range slots {
		switch {
		case t.Band != r.Band:
			if reason == NotOrdered {
				reason = OtherBand
			}
		case t.Ending == "sent" || t.Ending == "aborted":
			return i, Matched
		case t.Ending == "open" || t.Ending == "unreported":
			reason = Waiting
		case reason != Waiting:
			reason = NotSent
		}
	}
	return -1, reason
}

// NearKm is within which distance a receiver does not count.
const NearKm = 5.0

// Way is how a signal went.
type Way struct {
	Km      float64
	Bearing float64 // at our site, towards the receiver: degrees from north through east
}

// Counts says whether the receiver is far enough to count.
func (w Way) Counts() bool { return w.Km > NearKm }

// WayTo is the way from our site to a receiver.
func WayTo(site, receiver locator.Locator) Way {
	g := locator.Inverse(site.Centre(), receiver.Centre())
	return Way{g.Metres / 1000, g.Azimuth}
}
