package deliver

import (
	"fmt"
	"time"
)

// Answer says how an attempt ended.
type Answer string

// The answers.
const (
	Accepted Answer = "accepted" // the other side has it
	Refused  Answer = "refused"  // it clearly never will
	Later    Answer = "later"    // it clearly has not taken it now
	Unclear  Answer = "unclear"  // it may have it
)

// Outcome is an answer with what was said.
type Outcome struct {
	Answer Answer
	Said   string
}

func outcome(a Answer, format string, args ...any) Outcome {
	said := fmt.Sprintf(format, args...)
	if len(said) > 500 {
		said = said[:500]
	}
	return Outcome{a, said}
}

// Times of delivery.
const (
	giveUpAfter  = 24 * time.Hour
	attemptTakes = 45 * time.Second // at most
	firstWait    = 15 * time.Second
	longestWait  = 30 * time.Minute
)

// wait is how long after an attempt the next one follows; attempts counts those
// that were made.
func wait(attempts int) time.Duration {
	d := firstWait
	for range min(attempts-1, 20) {
		if d *= 2; d >= longestWait {
			return longestWait
		}
	}
	return d
}
