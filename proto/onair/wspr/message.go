package wspr

import (
	"fmt"
	"strings"

	"lamplighter/proto/onair/locator"
)

// Kind is the type of a message, as the protocol numbers them.
type Kind int

// The types of message.
const (
	Type1 Kind = 1 // plain call sign, four-character locator, power
	Type2 Kind = 2 // compound call sign, power
	Type3 Kind = 3 // hash of the call sign, six-character locator, power
)

// Message is what one transmission says.
type Message struct {
	Callsign string // in capitals; empty in a received type 3
	Locator  string // four characters in type 1, none in type 2, six in type 3
	PowerDBm int    // one of LegalPowers
	Kind     Kind
	Hash     uint16 // type 3 only: Hash(Callsign), all that is sent of it
}

// String shows the message as it is written in the trade, the call sign of a
// type 3 in angle brackets because only its hash is sent.
func (m Message) String() string {
	switch {
	case m.Kind == Type2:
		return fmt.Sprintf("%s %d", m.Callsign, m.PowerDBm)
	case m.Kind == Type3 && m.Callsign == "":
		return fmt.Sprintf("<%d> %s %d", m.Hash, m.Locator, m.PowerDBm)
	case m.Kind == Type3:
		return fmt.Sprintf("<%s> %s %d", m.Callsign, m.Locator, m.PowerDBm)
	}
	return fmt.Sprintf("%s %s %d", m.Callsign, m.Locator, m.PowerDBm)
}

// Transmissions gives the messages that together say exactly what was asked:
// one for a plain call sign with a four-character locator (type 1), a pair
// for a plain one with six (type 1, then type 3) and for a compound one with
// six (type 2, then type 3). Everything else is refused with an *Error.
func Transmissions(callsign, loc string, powerDBm int) ([]Message, error) {
	full, err := Full(callsign, loc, powerDBm)
	if err != nil {
		return nil, err
	}
	switch {
	case len(loc) == 8:
		return nil, refuse(LocatorTooLong, loc)
	case len(loc) == 4 && full.Kind == Type2:
		return nil, refuse(LocatorTooShort, loc)
	case len(loc) == 4:
		return []Message{full}, nil
	}
	extended, err := Extended(callsign, loc, powerDBm)
	if err != nil {
		return nil, err
	}
	return []Message{full, extended}, nil
}

// Full is the message that carries the full call sign: type 1 with the first
// four characters of the locator for a plain call sign, type 2 without a
// locator for a compound one. The locator may have 4, 6 or 8 characters.
func Full(callsign, loc string, powerDBm int) (Message, error) {
	callsign, place, err := check(callsign, loc, powerDBm)
	if err != nil {
		return Message{}, err
	}
	if Compound(callsign) {
		return Message{Callsign: callsign, PowerDBm: powerDBm, Kind: Type2}, nil
	}
	return Message{Callsign: callsign, Locator: place.Truncate(4).String(), PowerDBm: powerDBm, Kind: Type1}, nil
}

// Extended is the second message of a pair, type 3: the hash of the call sign
// and the first six characters of the locator, which must have 6 or 8.
func Extended(callsign, loc string, powerDBm int) (Message, error) {
	callsign, place, err := check(callsign, loc, powerDBm)
	if err != nil {
		return Message{}, err
	}
	if place.Len() < 6 {
		return Message{}, refuse(LocatorTooShort, loc)
	}
	return Message{
		Callsign: callsign, Locator: place.Truncate(6).String(), PowerDBm: powerDBm,
		Kind: Type3, Hash: Hash(callsign),
	}, nil
}

// check reads the three parts of every message; the call sign comes back in
// capitals.
func check(callsign, loc string, powerDBm int) (string, locator.Locator, error) {
	if err := CheckCallsign(callsign); err != nil {
		return "", locator.Locator{}, err
	}
	place, err := locator.Parse(loc)
	if err != nil {
		return "", locator.Locator{}, wrongLocator(loc, err)
	}
	if err := checkPower(powerDBm); err != nil {
		return "", locator.Locator{}, err
	}
	return strings.ToUpper(callsign), place, nil
}
