package intake

import (
	"fmt"
	"log/slog"
	"maps"
	"sync"
	"time"
)

// Reason says why a message, or a record in one, was refused.
type Reason string

// The reasons.
const (
	BadTopic      Reason = "bad_topic"      // not a topic of ours
	NotForIntake  Reason = "not_for_intake" // a topic of ours that others look after
	UnknownBeacon Reason = "unknown_beacon" // not in the fleet
	Empty         Reason = "empty"
	TooLarge      Reason = "too_large"
	TooMany       Reason = "too_many_records"
	Garbled       Reason = "garbled"        // not the message that belongs on this topic
	WrongIdentity Reason = "wrong_identity" // speaks for another than its topic
	WasRetained   Reason = "retained"       // of the past, where only the present counts
	BadValue      Reason = "bad_value"      // a number or a text beyond its bounds
	BadRecord     Reason = "bad_record"     // a record without a readable key
	NotStorable   Reason = "not_storable"   // the database will never take it
)

func reasons() []Reason {
	return []Reason{
		BadTopic, NotForIntake, UnknownBeacon, Empty, TooLarge, TooMany, Garbled, WrongIdentity, WasRetained, BadValue, BadRecord, NotStorable,
	}
}

// Refusal is why something was refused, in a sentence.
type Refusal struct {
	Reason   Reason
	Sentence string
}

func refuse(reason Reason, format string, arguments ...any) *Refusal {
	return &Refusal{reason, fmt.Sprintf(format, arguments...)}
}

// limiter lets one line for each reason and topic through in a while, and so many
// lines in all, so that neither a broken agent nor one that invents names can fill
// a disk with complaints about itself.
type limiter struct {
	mu   sync.Mutex
	last map[string]time.Time
}

const (
	sayAgainAfter = time.Minute
	mostTopics    = 1024
)

func (l *limiter) allows(what string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if last, known := l.last[what]; known && now.Sub(last) < sayAgainAfter {
		return false
	}
	if l.last == nil {
		l.last = make(map[string]time.Time)
	}
	if len(l.last) >= mostTopics {
		maps.DeleteFunc(l.last, func(_ string, last time.Time) bool { return now.Sub(last) >= sayAgainAfter })
	}
	if len(l.last) >= mostTopics {
		return false // the metrics count on
	}
	l.last[what] = now
	return true
}

// refused counts and logs a refusal.
func (in *Intake) refused(topic string, r *Refusal) {
	in.metrics.refused.WithLabelValues(string(r.Reason)).Inc()
	if in.limiter.allows(string(r.Reason)+" "+topic, time.Now()) {
		in.logger.Warn("a message was refused: "+r.Sentence, slog.String("reason", string(r.Reason)), slog.String("topic", shorten(topic)))
	}
}

func shorten(text string) string {
	const longest = 200
	if len(text) > longest {
		return text[:longest] + "…"
	}
	return text
}
