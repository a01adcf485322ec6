package accounts

import (
	"fmt"
	"strings"
	"testing"

	"github.com/trustelem/zxcvbn/frequency"
)

// ASVS 5.0 6.2.4 (from memory): at least the 3,000 most common passwords that are
// long enough are refused. Of the list that the library has, which was made of
// passwords that became public, each that is long enough is refused, and each of
// the 3,000 first made long enough as people do. Passwords that nobody guesses are
// taken.
func TestCommonPasswordsAreRefused(t *testing.T) {
	common := frequency.FrequencyLists["passwords"]
	if len(common) < 3000 {
		t.Fatalf("the list has %d passwords", len(common))
	}
	long := 0
	for _, word := range common {
		if len([]rune(word)) < leastPassword {
			continue
		}
		long++
		if CheckPassword("ada", word) == nil {
			t.Errorf("%q, which is on the list, is taken", word)
		}
	}
	made := 0
	for i, word := range common[:3000] {
		password, pad := word, []string{"1234567890", "2026", "!!!!", word}[i%4]
		for len(password) < leastPassword {
			password += pad
		}
		made++
		if CheckPassword("ada", password) == nil {
			t.Errorf("%q, made of the list, is taken", password)
		}
	}
	t.Logf("%d of the list, %d made of it", long, made)
	for _, password := range []string{
		"michaeljordan1", "Passw0rd!Passw0rd!", "qwertyuiop[]", "abcdefghijklmnop", "1q2w3e4r5t6y", "31.12.199931.12.1999",
		"Lamplighter2026", "ada ada ada ada", "beaconbeacon1",
	} {
		if err := CheckPassword("ada", password); err == nil {
			t.Errorf("%q is taken", password)
		}
	}
	for _, password := range []string{"five quiet owls at dusk", "three small mice sing", "x7k2m-9qwpl-0a", strings.Repeat("né à l'aube, ", 8)} {
		if err := CheckPassword("ada", password); err != nil {
			t.Errorf("%q: %v", password, err)
		}
	}
	for range 50 {
		if password := newPassword(); CheckPassword("ada", password) != nil {
			t.Errorf("one that is given out is refused: %q", password)
		}
	}
}

// However long, a password is looked at within bounds, and never twice as long
// for what is behind what is looked at.
func TestOnlyTheBeginningOfAPasswordIsGuessedAt(t *testing.T) {
	short := strings.Repeat("passwort1A!", 6)[:mostGuessed]
	for _, tail := range []string{"", strings.Repeat("ab1-", 16)} {
		if got, want := guesses("ada", short+tail), guesses("ada", short); got != want {
			t.Error(fmt.Sprint(got, want))
		}
	}
}
