package wspr

import "fmt"

// Reason says why something cannot be sent, or cannot have been sent.
type Reason int

// The reasons.
const (
	CallsignCharacter Reason = iota + 1 // a character that no call sign has
	CallsignShape                       // not the shape that can be packed
	CallsignAddOn                       // the part before or after the '/' does not fit
	LocatorWrong                        // not a locator
	LocatorTooShort                     // four characters where six are needed
	LocatorTooLong                      // eight characters, which no message carries
	PowerNotLegal                       // not one of LegalPowers
	NotAMessage                         // bits or symbols that no message gives
)

// String names a reason for logs and counters.
func (r Reason) String() string {
	names := [...]string{
		CallsignCharacter: "callsign_character",
		CallsignShape:     "callsign_shape",
		CallsignAddOn:     "callsign_add_on",
		LocatorWrong:      "locator_wrong",
		LocatorTooShort:   "locator_too_short",
		LocatorTooLong:    "locator_too_long",
		PowerNotLegal:     "power_not_legal",
		NotAMessage:       "not_a_message",
	}
	if r < CallsignCharacter || int(r) >= len(names) {
		return "unknown"
	}
	return names[r]
}

// Error is the refusal of a value.
type Error struct {
	Reason Reason
	Value  string // as given, shortened if it is long
	Err    error  // the cause, where there is one
}

const plainShape = "one or two letters or digits with at least one letter, a digit, one to three letters, such as Q1ABC or QA7XYZ"

func (e *Error) Error() string {
	switch e.Reason {
	case CallsignCharacter:
		return fmt.Sprintf("call sign %q: only letters, digits and one '/' can be sent", e.Value)
	case CallsignShape:
		return fmt.Sprintf("call sign %q cannot be sent: it must be %s", e.Value, plainShape)
	case CallsignAddOn:
		return fmt.Sprintf("call sign %q cannot be sent: to a plain call sign (%s) only 1 to 3 letters or digits may be added in front, as in QX9/Q1ABC, or one letter or digit or a number from 10 to 99 behind, as in Q1ABC/P", e.Value, plainShape)
	case LocatorTooShort:
		return fmt.Sprintf("locator %q is too short: this message carries six characters, and a call sign with '/' has its locator only in such a one; give six, such as JO62QM", e.Value)
	case LocatorTooLong:
		return fmt.Sprintf("locator %q is too long: a message carries four or six characters, so give %s", e.Value, e.Value[:min(6, len(e.Value))])
	case PowerNotLegal:
		return fmt.Sprintf("power of %s dBm cannot be sent: %s", e.Value, e.Err)
	case NotAMessage:
		return fmt.Sprintf("no message: %s", e.Err)
	}
	return e.Err.Error()
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

func refuse(reason Reason, value string) *Error {
	const most = 24
	if len(value) > most {
		value = value[:most] + "..."
	}
	return &Error{Reason: reason, Value: value}
}

func wrongLocator(value string, cause error) *Error {
	e := refuse(LocatorWrong, value)
	e.Err = cause
	return e
}

func notAMessage(format string, args ...any) *Error {
	return &Error{Reason: NotAMessage, Err: fmt.Errorf(format, args...)}
}
