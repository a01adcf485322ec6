package alert

import "time"

// LongestSilence is how long a silence lasts at most.
const LongestSilence = 14 * 24 * time.Hour

// Silence keeps alerts from being told for a time. Empty fields cover all.
type Silence struct {
	Number       int64
	Code         Code
	Site, Beacon string
	Owner        string
	Reason       string
	Since, Until time.Time
}

// SilenceReason says why a silence may not be, or that it may.
type SilenceReason string

// The reasons.
const (
	SilenceAllowed  SilenceReason = ""
	SilenceUnowned  SilenceReason = "unowned"   // nobody asks for it
	SilenceNoReason SilenceReason = "no_reason" // it does not say why
	SilenceOver     SilenceReason = "over"      // it would end before it begins
	SilenceTooLong  SilenceReason = "too_long"  // it would last more than LongestSilence
	SilenceUnknown  SilenceReason = "unknown"   // there is no such condition
	SilenceSafety   SilenceReason = "safety"    // what is about safety is always told
)

// Check says whether a silence may be.
func (s Silence) Check() SilenceReason {
	condition := byCode[s.Code]
	switch {
	case s.Owner == "":
		return SilenceUnowned
	case s.Reason == "":
		return SilenceNoReason
	case !s.Until.After(s.Since):
		return SilenceOver
	case s.Until.Sub(s.Since) > LongestSilence:
		return SilenceTooLong
	case s.Code != "" && condition == nil:
		return SilenceUnknown
	case condition != nil && condition.Severity == Safety:
		return SilenceSafety
	}
	return SilenceAllowed
}

// covered says whether one of silences covers an alert now.
func covered(a *Alert, silences []Silence, now time.Time) bool {
	if byCode[a.Code].Severity == Safety {
		return false
	}
	for _, s := range silences {
		if s.Check() == SilenceAllowed && now.Before(s.Until) && (s.Code == "" || s.Code == a.Code) &&
			(s.Site == "" || s.Site == a.Site) && (s.Beacon == "" || s.Beacon == a.Beacon) {
			return true
		}
	}
	return false
}
