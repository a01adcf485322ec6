package spelling_test

import (
	"strings"
	"testing"

	"lamplighter/proto/spelling"
)

func TestSlips(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0},
		{"share", "share", 0},
		{"shre", "share", 1},
		{"sshare", "share", 1},
		{"shore", "share", 1},
		{"sahre", "share", 1},
		{"", "share", 5},
		{"kitten", "sitting", 3}, // the usual example of the edit distance; common practice, no source
	} {
		if got := spelling.Slips(c.a, c.b); got != c.want || spelling.Slips(c.b, c.a) != c.want {
			t.Errorf("%q and %q: %d slips, want %d", c.a, c.b, got, c.want)
		}
		if got := spelling.OneSlip(c.a, c.b); got != (c.want <= 1) {
			t.Errorf("%q and %q: one slip %v", c.a, c.b, got)
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"share", "rest", "shared", "site"}
	for word, want := range map[string]string{
		"shre": "share", "SHARE": "share", "shareed": "shared", "rst": "rest", "x": "", "": "", "frequency": "",
		strings.Repeat("s", 1<<20): "",
	} {
		if got := spelling.Nearest(word, known); got != want {
			t.Errorf("%.20q: got %q, want %q", word, got, want)
		}
	}
}
