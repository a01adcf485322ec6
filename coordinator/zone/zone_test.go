package zone

import (
	"regexp"
	"strings"
	"testing"
	"time"
)

func TestEveryZoneLoads(t *testing.T) {
	files, err := index()
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 400 { // the database has had over 400 names since the 1990s
		t.Errorf("only %d zones", len(files))
	}
	for name := range files {
		zone, err := Load(name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if zone.String() != name {
			t.Errorf("%s is called %s", name, zone)
		}
	}
	if !regexp.MustCompile(`^20\d\d[a-z]$`).MatchString(Release()) {
		t.Errorf("release %q", Release())
	}
}

// TestOffsets uses the offsets that RFC 5545, 3.3.5 states for New York.
func TestOffsets(t *testing.T) {
	zone, err := Load("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	for instant, want := range map[string]string{
		"2007-03-11T07:30:00Z": "2007-03-11T03:30:00-04:00",
		"2007-03-11T06:30:00Z": "2007-03-11T01:30:00-05:00",
		"2007-11-04T05:30:00Z": "2007-11-04T01:30:00-04:00",
	} {
		at, _ := time.Parse(time.RFC3339, instant)
		if got := at.In(zone).Format(time.RFC3339); got != want {
			t.Errorf("%s is %s, want %s", instant, got, want)
		}
	}
}

func TestSuggestions(t *testing.T) {
	for name, want := range map[string]string{
		"europe/berlin":     "did you mean Europe/Berlin?",
		"Europe/Berln":      "did you mean Europe/Berlin?",
		"Europe/Belrin":     "did you mean Europe/Berlin?",
		"Berlin":            "did you mean Europe/Berlin?",
		"America/New York":  "did you mean America/New_York?",
		"Europe/New_York":   "did you mean America/New_York?",
		"Atlantis/Middle":   "write an IANA name",
		"":                  "write an IANA name",
		"Local":             "write an IANA name",
		"../../etc/passwd":  "write an IANA name",
		"Europe/Berlin\x00": "did you mean Europe/Berlin?",
	} {
		zone, err := Load(name)
		if err == nil {
			t.Errorf("%q is taken for %v", name, zone)
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", name, err, want)
		}
	}
	if _, err := Load(strings.Repeat("x", 100_000)); err == nil || len(err.Error()) > 300 {
		t.Error("a long name gives a long or no error")
	}
}
