package accounts

import (
	"crypto/rand"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/trustelem/zxcvbn"

	"lamplighter/coordinator/fault"
)

// What secrets begin with, so that one that was left somewhere is found.
const (
	tokenPrefix   = "lamplighter-token-"
	sessionPrefix = "lamplighter-session-"
)

// The bounds of what is sent to log in.
const (
	mostSecretBytes   = 128
	mostPasswordBytes = 512
	mostNameBytes     = 64
	leastPassword     = 12 // characters
	mostPassword      = 128
	leastDifferent    = 5 // characters of a password
	leastGuesses      = 1e10
	mostGuessed       = 64 // characters of a password that are looked at so
)

// givenLasts is how long a password lasts that was given to somebody.
const givenLasts = 24 * time.Hour

// newSecret is 130 random bits behind a prefix.
func newSecret(prefix string) string { return prefix + rand.Text() }

// newPassword is a password to be typed once: 100 random bits in groups of five.
func newPassword() string {
	text := strings.ToLower(rand.Text()[:20])
	return strings.Join([]string{text[:5], text[5:10], text[10:15], text[15:]}, "-")
}

// validName says whether an account may have a name.
func validName(name string) bool {
	if name == "" || len(name) > mostNameBytes || strings.ContainsRune(".-_", rune(name[0])) {
		return false
	}
	return strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789.-_") == ""
}

func checkName(name string) error {
	if !validName(name) {
		return fault.New(fault.Invalid, "name", "a name is 1 to %d of a-z, 0-9, '.', '_' and '-', and begins with a letter or digit", mostNameBytes)
	}
	return nil
}

// CheckPassword says why a password can't be chosen. It asks for length, and not
// for kinds of characters, as NIST SP 800-63B does (from memory).
func CheckPassword(name, password string) error {
	lower, n := strings.ToLower(password), utf8.RuneCountInString(password)
	different := map[rune]bool{}
	for _, c := range lower {
		different[c] = true
	}
	switch {
	case n < leastPassword:
		return fault.New(fault.Invalid, "password", "it has %d characters, and needs %d: four or five words in a row are easy to keep in mind", n, leastPassword)
	case n > mostPassword:
		return fault.New(fault.Invalid, "password", "it has %d characters, and at most %d are read", n, mostPassword)
	case len(different) < leastDifferent:
		return fault.New(fault.Invalid, "password", "it has only %d different characters", len(different))
	case len(name) > 3 && strings.Contains(lower, name):
		return fault.New(fault.Invalid, "password", "it holds your name")
	case guesses(name, password) < leastGuesses:
		return fault.New(fault.Invalid, "password", "it is too easy to guess: it is made of what is tried first, such as passwords that many people have, names, dates and rows of keys; take four or five words in a row")
	}
	return nil
}

// guesses is about how many tries a password takes of somebody who begins with
// what is likely: lists of 30,000 passwords that were made public, of words and of
// names, and dates, repetitions and rows of keys, in any combination. What comes
// after the first characters only adds to it.
func guesses(name, password string) float64 {
	runes := []rune(password)
	return zxcvbn.PasswordStrength(string(runes[:min(len(runes), mostGuessed)]), []string{name, "lamplighter", "beacon"}).Guesses
}
