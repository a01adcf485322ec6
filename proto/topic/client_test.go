package topic

import (
	"strings"
	"testing"
)

func TestAClientIDIsTheAddress(t *testing.T) {
	mill := Address{"tern-valley", "mill-hf"}
	if id := mill.ClientID(); id != "tern-valley/mill-hf" {
		t.Errorf("%q", id)
	}
	if back, err := ParseClientID(mill.ClientID()); err != nil || back != mill {
		t.Errorf("%v, %v", back, err)
	}
	for _, id := range []string{"", "mill-hf", "/", "a/", "/a", "a/b/c", "a/+", "#/a", "A/b", "a/" + strings.Repeat("b", 65)} {
		if _, err := ParseClientID(id); err == nil {
			t.Errorf("%q was taken for an address", id)
		}
	}
}
