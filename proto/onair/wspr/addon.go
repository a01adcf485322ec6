package wspr

import (
	"strconv"
	"strings"
)

// An add-on is one number (bit layout from memory; no published example
// exists): a prefix, right-aligned to three characters, is read as a number
// to the base 37; suffixes follow above.
const (
	suffixOne = 60000 // one letter or digit: + its value, 0 to 35
	suffixTwo = 60026 // a number from 10 to 99: + the number
	addOnEnd  = suffixTwo + 100
)

// prefixNumber numbers a prefix of one to three letters or digits.
func prefixNumber(s string) (uint32, bool) {
	if len(s) < 1 || len(s) > 3 {
		return 0, false
	}
	v := uint32(0)
	for i := len(s) - 3; i < len(s); i++ {
		c := byte(' ')
		if i >= 0 {
			c = s[i]
			if !letterOrDigit(c) {
				return 0, false
			}
		}
		v = 37*v + value(c)
	}
	return v, true
}

// suffixNumber numbers a suffix: one letter or digit, or two digits from 10.
func suffixNumber(s string) (uint32, bool) {
	switch {
	case len(s) == 1 && letterOrDigit(s[0]):
		return suffixOne + value(s[0]), true
	case len(s) == 2 && digit(s[0]) && digit(s[1]) && s[0] != '0':
		return suffixTwo + 10*value(s[0]) + value(s[1]), true
	}
	return 0, false
}

// withAddOn writes the compound call sign of a base and the number of its
// add-on, or reports that no add-on has that number.
func withAddOn(base string, v uint32) (string, bool) {
	switch {
	case v >= addOnEnd:
		return "", false
	case v >= suffixTwo+10:
		return base + "/" + strconv.Itoa(int(v-suffixTwo)), true
	case v >= suffixOne:
		return base + "/" + string(character(v-suffixOne)), true
	}
	if v >= 37*37*37 {
		return "", false // more than three characters
	}
	text := string([]byte{character(v / (37 * 37)), character(v / 37 % 37), character(v % 37)})
	prefix := strings.TrimLeft(text, " ")
	if prefix == "" || strings.Contains(prefix, " ") {
		return "", false
	}
	return prefix + "/" + base, true
}

// value numbers a character: 0-9, then A-Z from 10, space 36.
func value(c byte) uint32 {
	switch {
	case digit(c):
		return uint32(c - '0')
	case letter(c):
		return uint32(c-'A') + 10
	}
	return 36
}

// character undoes value.
func character(v uint32) byte { return "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ "[v] }
