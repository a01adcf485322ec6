package wspr

import "strings"

// Compound tells whether a call sign has an add-on, such as QX9/Q1ABC or
// Q1ABC/P, and so needs messages of types 2 and 3.
func Compound(callsign string) bool { return strings.Contains(callsign, "/") }

// CheckCallsign says why a call sign, in any case, cannot be sent in any
// message, or nil. Its errors are *Error.
func CheckCallsign(callsign string) error {
	for _, c := range []byte(callsign) {
		if !letter(upper(c)) && !digit(c) && c != '/' {
			return refuse(CallsignCharacter, callsign)
		}
	}
	s := strings.ToUpper(callsign)
	if !Compound(s) {
		if !plain(s) {
			return refuse(CallsignShape, callsign)
		}
		return nil
	}
	if _, _, ok := splitCompound(s); !ok {
		return refuse(CallsignAddOn, callsign)
	}
	return nil
}

// plain tells whether s has the shape of a call sign without add-on, which is
// the only one that the 28 bits hold ("The WSPR Coding Process"): one or two
// characters with a letter among them, a digit, one to three letters.
func plain(s string) bool {
	at := digitOf(s)
	if at < 0 || !letter(s[0]) && (at < 2 || !letter(s[1])) {
		return false
	}
	tail := s[at+1:]
	if len(tail) < 1 || len(tail) > 3 {
		return false
	}
	for _, c := range []byte(tail) {
		if !letter(c) {
			return false
		}
	}
	return letterOrDigit(s[0]) && letterOrDigit(s[at-1])
}

// digitOf is the index of the digit that ends the prefix of a plain call
// sign: the third character if it is one, else the second; −1 if neither is.
func digitOf(s string) int {
	switch {
	case len(s) > 2 && digit(s[2]):
		return 2
	case len(s) > 1 && digit(s[1]):
		return 1
	}
	return -1
}

// splitCompound parts a compound call sign in capitals into the number of its
// add-on (0 to 60125, as in addOnText) and the plain call sign.
func splitCompound(s string) (addOn uint32, base string, ok bool) {
	before, after, _ := strings.Cut(s, "/")
	if plain(after) {
		if addOn, ok = prefixNumber(before); ok {
			return addOn, after, true
		}
	}
	if plain(before) {
		addOn, ok = suffixNumber(after)
		return addOn, before, ok
	}
	return 0, "", false
}

func upper(c byte) byte {
	if c >= 'a' && c <= 'z' {
		return c - ('a' - 'A')
	}
	return c
}

func letter(c byte) bool        { return c >= 'A' && c <= 'Z' }
func digit(c byte) bool         { return c >= '0' && c <= '9' }
func letterOrDigit(c byte) bool { return letter(c) || digit(c) }
