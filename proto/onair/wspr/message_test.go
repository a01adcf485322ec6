package wspr

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
)

func reason(err error) Reason {
	var e *Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return 0
}

// Which messages say what ("Special message formats", 2010: a plain call sign
// with four characters is one transmission, everything longer is two).
func TestTransmissions(t *testing.T) {
	for _, c := range []struct {
		callsign, locator string
		want              string
	}{
		{"Q1ABC", "JO62", "Q1ABC JO62 30"},
		{"q1abc", "jo62", "Q1ABC JO62 30"},
		{"QA7XYZ", "FN42ax", "QA7XYZ FN42 30, <QA7XYZ> FN42AX 30"},
		{"QX9/QA7XYZ", "FN42AX", "QX9/QA7XYZ 30, <QX9/QA7XYZ> FN42AX 30"},
		{"Q1ABC/p", "JO62QM", "Q1ABC/P 30, <Q1ABC/P> JO62QM 30"},
		{"Q1ABC/42", "JO62QM", "Q1ABC/42 30, <Q1ABC/42> JO62QM 30"},
	} {
		messages, err := Transmissions(c.callsign, c.locator, 30)
		var got []string
		for _, m := range messages {
			got = append(got, m.String())
			if _, err := m.Symbols(); err != nil {
				t.Errorf("%v: %v", m, err)
			}
		}
		if err != nil || strings.Join(got, ", ") != c.want {
			t.Errorf("%s %s: %v (%v), want %s", c.callsign, c.locator, got, err, c.want)
		}
	}
}

func TestTransmissionsRefuses(t *testing.T) {
	for _, c := range []struct {
		callsign, locator string
		power             int
		want              Reason
		sentence          string
	}{
		{"Q1ABC/P", "JO62", 30, LocatorTooShort, "give six"},
		{"Q1ABC", "JO62QM12", 30, LocatorTooLong, "give JO62QM"},
		{"Q1ABC/P", "JO62QM12", 30, LocatorTooLong, "give JO62QM"},
		{"Q1ABC", "JO6", 30, LocatorWrong, "4, 6 or 8"},
		{"Q1ABC", "JO62QZ", 30, LocatorWrong, "character 6"},
		{"Q1ABC", "JO62", 24, PowerNotLegal, "nearest is 23"},
		{"Q1ABC", "JO62", -1, PowerNotLegal, "nearest is 0"},
		{"Q1ABC", "JO62", 63, PowerNotLegal, "nearest is 60"},
		{"QABC", "JO62", 30, CallsignShape, `"QABC" cannot be sent`},
		{"", "JO62", 30, CallsignShape, "one or two letters or digits"},
		{"Q1 ABC", "JO62", 30, CallsignCharacter, "only letters"},
		{"Q/Q1ABC/P", "JO62QM", 30, CallsignAddOn, "QX9/Q1ABC"},
		{strings.Repeat("Q", 1<<20), "JO62", 30, CallsignShape, "QQQ..."},
		{"Q1ABC", strings.Repeat("JO62", 1<<20), 30, LocatorWrong, "JO62..."},
	} {
		got, err := Transmissions(c.callsign, c.locator, c.power)
		if got != nil || reason(err) != c.want || !strings.Contains(err.Error(), c.sentence) || len(err.Error()) > 400 {
			t.Errorf("%.20s %.20s %d: %v, %v (%v); want %v: %q", c.callsign, c.locator, c.power, got, reason(err), err, c.want, c.sentence)
		}
	}
}

// What a slot carries is made from the site's locator, however long it is.
func TestFullAndExtended(t *testing.T) {
	for _, c := range []struct {
		callsign, locator string
		full, extended    string
	}{
		{"Q1ABC", "JO62", "Q1ABC JO62 23", ""},
		{"Q1ABC", "JO62QM", "Q1ABC JO62 23", "<Q1ABC> JO62QM 23"},
		{"Q1ABC", "JO62QM12", "Q1ABC JO62 23", "<Q1ABC> JO62QM 23"},
		{"Q1ABC/P", "JO62", "Q1ABC/P 23", ""},
		{"Q1ABC/P", "JO62QM12", "Q1ABC/P 23", "<Q1ABC/P> JO62QM 23"},
	} {
		full, err := Full(c.callsign, c.locator, 23)
		if err != nil || full.String() != c.full {
			t.Errorf("full %s %s: %v (%v), want %s", c.callsign, c.locator, full, err, c.full)
		}
		extended, err := Extended(c.callsign, c.locator, 23)
		if c.extended == "" {
			if reason(err) != LocatorTooShort {
				t.Errorf("extended %s %s: %v (%v), want it refused as too short", c.callsign, c.locator, extended, err)
			}
			continue
		}
		if err != nil || extended.String() != c.extended || extended.Hash != Hash(c.callsign) {
			t.Errorf("extended %s %s: %v (%v), want %s", c.callsign, c.locator, extended, err, c.extended)
		}
	}
}

// Legal shapes ("The WSPR Coding Process"; add-ons after the public protocol
// text of 2010).
func TestCheckCallsign(t *testing.T) {
	for callsign, want := range map[string]Reason{
		"Q1A": 0, "Q1ABC": 0, "QA7XYZ": 0, "Q34B": 0, "QZ0Z": 0, "0Q1A": 0, "9Q9ZZZ": 0, "q1abc": 0,
		"Q1": CallsignShape, "Q1ABCD": CallsignShape, "11A": CallsignShape, "1A": CallsignShape, "111A": CallsignShape,
		"QQQ1A": CallsignShape, "QQ1": CallsignShape, "Q12": CallsignShape, "QQQQ": CallsignShape, "Q1A1": CallsignShape, "1": CallsignShape,
		"Q1ABC-P": CallsignCharacter, "Q1\x00BC": CallsignCharacter, "Q1ÄBC": CallsignCharacter, "<Q1ABC>": CallsignCharacter,
		"Q/Q1ABC": 0, "QX/Q1ABC": 0, "QX9/QA7XYZ": 0, "123/Q1ABC": 0, "Q1A/Q1B": 0,
		"Q1ABC/P": 0, "Q1ABC/9": 0, "Q1ABC/10": 0, "Q1ABC/99": 0,
		"Q1ABC/": CallsignAddOn, "/Q1ABC": CallsignAddOn, "/": CallsignAddOn, "Q1ABC/09": CallsignAddOn, "Q1ABC/AB": CallsignAddOn,
		"Q1ABC/100": CallsignAddOn, "QXYZ/Q1ABC": CallsignAddOn, "Q1ABC/Q1A": CallsignAddOn, "Q/Q1ABC/P": CallsignAddOn, "QABC/P": CallsignAddOn,
	} {
		if got := reason(CheckCallsign(callsign)); got != want {
			t.Errorf("%q: %v, want %v", callsign, got, want)
		}
	}
	if Compound("Q1ABC") || !Compound("Q1ABC/P") {
		t.Error("only Q1ABC/P is compound")
	}
}

// The list in public protocol texts.
func TestPowers(t *testing.T) {
	want := []int{0, 3, 7, 10, 13, 17, 20, 23, 27, 30, 33, 37, 40, 43, 47, 50, 53, 57, 60}
	if got := LegalPowers(); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	for dbm, want := range map[int]int{-300: 0, 0: 0, 1: 0, 2: 3, 5: 3, 24: 23, 25: 23, 26: 27, 60: 60, 61: 60, math.MaxInt: 60, math.MinInt: 0} {
		if got := NearestPower(dbm); got != want {
			t.Errorf("nearest to %d: %d, want %d", dbm, got, want)
		}
	}
}

// A message made by hand is held to its type.
func TestPackRefuses(t *testing.T) {
	for _, c := range []struct {
		m    Message
		want Reason
	}{
		{Message{}, NotAMessage},
		{Message{Callsign: "Q1ABC", Locator: "JO62", PowerDBm: 30, Kind: 4}, NotAMessage},
		{Message{Callsign: "Q1ABC/P", Locator: "JO62", PowerDBm: 30, Kind: Type1}, CallsignShape},
		{Message{Callsign: "Q1ABC", PowerDBm: 30, Kind: Type2}, CallsignAddOn},
		{Message{Locator: "JO62", PowerDBm: 30, Kind: Type1}, CallsignShape},
		{Message{Callsign: "Q1ABC", Locator: "JO62QM", PowerDBm: 30, Kind: Type1}, NotAMessage},
		{Message{Callsign: "Q1ABC/P", Locator: "JO62", PowerDBm: 30, Kind: Type2}, NotAMessage},
		{Message{Callsign: "Q1ABC", Locator: "JO62", PowerDBm: 30, Kind: Type3}, NotAMessage},
		{Message{Callsign: "Q1ABC", Locator: "JO62ZZ", PowerDBm: 30, Kind: Type3}, LocatorWrong},
		{Message{Locator: "JO62QM", PowerDBm: 30, Kind: Type3, Hash: 32768}, NotAMessage},
		{Message{Callsign: "Q1ABC", Locator: "JO62", PowerDBm: 31, Kind: Type1}, PowerNotLegal},
	} {
		if _, err := c.m.Symbols(); reason(err) != c.want {
			t.Errorf("%+v: %v, want %v", c.m, err, c.want)
		}
	}
}

func TestEveryReasonHasAName(t *testing.T) {
	seen := map[string]bool{}
	for r := CallsignCharacter; r <= NotAMessage; r++ {
		if name := r.String(); name == "" || name == "unknown" || seen[name] {
			t.Errorf("reason %d is called %q", r, name)
		} else {
			seen[name] = true
		}
	}
	if got := Reason(0).String() + (NotAMessage + 1).String(); got != "unknownunknown" {
		t.Errorf("no reason is called %q", got)
	}
}
