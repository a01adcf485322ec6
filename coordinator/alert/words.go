package alert

import (
	"fmt"
	"strings"
	"time"
)

// clock is an instant for people: the time alone would do today and not in an
// archive.
func clock(at time.Time) string { return at.UTC().Format("2006-01-02 15:04:05 UTC") }

// span is a length of time for people.
func span(d time.Duration) string {
	switch d = d.Round(time.Second); {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// clip bounds a text that comes from elsewhere.
func clip(text string, most int) string {
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "…"
}

// milliseconds is a clock error for people.
func milliseconds(ns int64) string { return fmt.Sprintf("%.3g ms", float64(ns)/1e6) }
