package enrolment

import (
	"crypto/rand"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func token(t *testing.T) Token {
	t.Helper()
	made, err := NewToken(rand.Reader, []byte("an authority"))
	if err != nil {
		t.Fatal(err)
	}
	return made
}

func TestATokenSurvivesBeingTyped(t *testing.T) {
	made := token(t)
	words := made.Words()
	for name, typed := range map[string]string{
		"as printed": words, "with a line end": words + "\n", "in capitals": strings.ToUpper(words),
		"with spaces": strings.ReplaceAll(words, "-", " "), "in one piece": strings.ReplaceAll(words, "-", ""),
	} {
		if got, err := ParseToken(typed); err != nil || got != made {
			t.Errorf("%s: %v", name, err)
		}
	}
	if !made.Names([]byte("an authority")) || made.Names([]byte("another authority")) {
		t.Error("it names the wrong authority")
	}
}

func TestWhatIsNoTokenIsRefusedAndNotRepeated(t *testing.T) {
	words := token(t).Words()
	for name, typed := range map[string]string{
		"nothing": "", "a letter less": words[:len(words)-1], "a letter more": words + "a", "a digit that none has": "1" + words[1:],
		"very long": strings.Repeat(words, 10),
	} {
		if _, err := ParseToken(typed); err == nil || len(typed) > 8 && strings.Contains(err.Error(), typed[5:]) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestATokenIsNotPrintedByAccident(t *testing.T) {
	made := token(t)
	secret := fmt.Sprintf("%x", made.Secret())
	for _, format := range []string{"%v", "%+v", "%#v", "%s", "%x", "%d"} {
		said := fmt.Sprintf(format, made)
		if strings.Contains(said, secret) || strings.Contains(said, strings.Trim(fmt.Sprint(made.Secret()), "[]")) || strings.Contains(said, made.Words()[:9]) {
			t.Errorf("%s prints it: %s", format, said)
		}
	}
}

func TestEveryTokenIsAnother(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		source := rapid.SliceOfN(rapid.Byte(), secretBytes, secretBytes).Draw(t, "secret")
		made, err := NewToken(strings.NewReader(string(source)), []byte("an authority"))
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseToken(made.Words())
		if err != nil || string(again.Secret()) != string(source) || again != made {
			t.Fatalf("%x became %x, %v", source, again.Secret(), err)
		}
	})
	if _, err := NewToken(strings.NewReader("short"), nil); err == nil {
		t.Error("a token was made without enough random bytes")
	}
}

func FuzzParseToken(f *testing.F) {
	f.Add("")
	f.Add(strings.Repeat("abcd-", 13))
	f.Fuzz(func(t *testing.T, text string) {
		made, err := ParseToken(text)
		if err != nil {
			return
		}
		if again, err := ParseToken(made.Words()); err != nil || again != made {
			t.Errorf("%q became %q: %v", text, made.Words(), err)
		}
	})
}
