// Package duty decides who is in control of a site.
//
// A person starts a duty period for a site: nobody can do it for them. It lasts
// twelve hours at most, and only while the person confirms it again, within four
// hours each time. When it ends, nobody is in control before somebody starts
// another; where the fleet file says "duty: required", no lease for remote
// control is given meanwhile, and the beacon falls silent when the last one
// ends (reason "no_control_operator").
//
// A roster says who is to be in control when. It puts nobody in control; it says
// who is asked to take over, a quarter of an hour before the present period
// ends, or before their own time comes.
//
// All times are the database's.
package duty

import (
	"fmt"
	"time"
)

// The limits.
const (
	Longest     = 12 * time.Hour   // a period
	Confirm     = 4 * time.Hour    // until it must be confirmed again
	AskBefore   = 15 * time.Minute // the next is asked
	LongestTurn = 24 * time.Hour   // one entry of a roster
	FarthestOff = 366 * 24 * time.Hour
)

// Period is a time in which somebody is in control of a site.
type Period struct {
	Number    int64 // 0: not stored yet
	Site      string
	Person    string
	Contact   string // how to reach them
	Started   time.Time
	Confirmed time.Time
	Until     time.Time // when it was to end from the start
	Ended     time.Time // zero: they have not ended it
}

// End is when the period ends, if nothing else happens.
func (p Period) End() time.Time {
	end := p.Until
	if due := p.Confirmed.Add(Confirm); due.Before(end) {
		end = due
	}
	if !p.Ended.IsZero() && p.Ended.Before(end) {
		end = p.Ended
	}
	return end
}

// At says whether it lasts at an instant.
func (p Period) At(now time.Time) bool { return !now.Before(p.Started) && now.Before(p.End()) }

// Reason says why a period can't be started or confirmed; empty: it can.
type Reason string

// The reasons.
const (
	Fine        Reason = ""
	TooShort    Reason = "too_short"    // it would be over at once
	TooLong     Reason = "too_long"     // more than twelve hours
	OverAlready Reason = "over_already" // confirmed too late: start another
	NotTheirs   Reason = "not_theirs"   // only the person in control can
	Nobody      Reason = "nobody"       // nobody is in control
	BadTurn     Reason = "bad_turn"     // an entry of the roster that ends before it begins, lasts too long or is too far off
)

// Sentence tells a person why.
func (r Reason) Sentence() string {
	switch r {
	case TooShort:
		return "it would be over at once"
	case TooLong:
		return "a duty period lasts twelve hours at most, so that nobody is in control asleep"
	case OverAlready:
		return "the period is over: start another with lamplighter duty start"
	case NotTheirs:
		return "somebody else is in control: they confirm or end it themselves, or you take over with lamplighter duty start"
	case Nobody:
		return "nobody is in control of this site: start with lamplighter duty start"
	case BadTurn:
		return "a turn begins before it ends, lasts 24 hours at most, and begins within a year"
	}
	return ""
}

// Start is a period that a person starts now.
func Start(site, person, contact string, length time.Duration, now time.Time) (Period, Reason) {
	switch {
	case length < time.Minute:
		return Period{}, TooShort
	case length > Longest:
		return Period{}, TooLong
	}
	return Period{Site: site, Person: person, Contact: contact, Started: now, Confirmed: now, Until: now.Add(length)}, Fine
}

// Confirmation is a period after its person said that they are still there.
func Confirmation(p Period, person string, now time.Time) (Period, Reason) {
	switch {
	case p.Site == "":
		return p, Nobody
	case !p.At(now):
		return p, OverAlready
	case p.Person != person:
		return p, NotTheirs
	}
	p.Confirmed = now
	return p, Fine
}

// Turn is one entry of a roster.
type Turn struct {
	Entry       int64
	Site        string
	Person      string
	From, Until time.Time
	Asked       time.Time // when they were asked to take over; zero: not yet
}

// Check says what is wrong with a turn that is to be put on a roster.
func (t Turn) Check(now time.Time) Reason {
	if !t.From.Before(t.Until) || t.Until.Sub(t.From) > LongestTurn || t.From.After(now.Add(FarthestOff)) || !t.Until.After(now) {
		return BadTurn
	}
	return Fine
}

// ToAsk says which turns' persons are to be asked now to take over: those not
// asked yet whose turn has come or is about to, and who are not in control
// already until it ends. present are the periods that last, at most one a site.
func ToAsk(turns []Turn, present map[string]Period, now time.Time) []Turn {
	var ask []Turn
	for _, t := range turns {
		if !t.Asked.IsZero() || !now.Before(t.Until) || now.Before(t.askAt(present[t.Site], now)) {
			continue
		}
		if p := present[t.Site]; p.Person == t.Person && p.At(now) && !p.End().Before(t.Until) {
			continue
		}
		ask = append(ask, t)
	}
	return ask
}

// askAt is when the person of a turn is asked: before it begins, or, where
// somebody is in control beyond that, before their period ends.
func (t Turn) askAt(p Period, now time.Time) time.Time {
	at := t.From
	if p.Site != "" && p.At(now) && p.End().After(at) && p.End().Before(t.Until) {
		at = p.End()
	}
	return at.Add(-AskBefore)
}

// Words are the mail to the person of a turn who is asked to take over. present
// is the period of the site that lasts; required says that without anybody on
// duty its beacons fall silent.
func (t Turn) Words(present Period, required bool, now time.Time) (subject, text string) {
	const clock = "2006-01-02 15:04 UTC"
	subject = "please take duty at " + t.Site
	text = fmt.Sprintf("%s, your turn at site %s is from %s to %s.\n\n", t.Person, t.Site, t.From.UTC().Format(clock), t.Until.UTC().Format(clock))
	if present.Site != "" && present.At(now) {
		text += fmt.Sprintf("In control until %s is %s (%s).\n\n", present.End().UTC().Format(clock), present.Person, reached(present.Contact))
	} else {
		text += "Nobody is in control now.\n\n"
	}
	if required {
		text += "While nobody is, its beacons under remote control are silent.\n\n"
	}
	return subject, text + "To take over: lamplighter duty start " + t.Site + "\n"
}

// reached says how to reach somebody.
func reached(contact string) string {
	if contact == "" {
		return "how to reach them is not known"
	}
	return contact
}
