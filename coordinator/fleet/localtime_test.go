package fleet

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"lamplighter/coordinator/zone"
)

func local(t testing.TB, text string) LocalTime {
	t.Helper()
	var l LocalTime
	if err := l.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return l
}

func location(t testing.TB, name string) *time.Location {
	t.Helper()
	zone, err := zone.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func TestLocalTimeInGapsAndFolds(t *testing.T) {
	tests := []struct{ zone, local, utc, why string }{
		// RFC 5545, 3.3.5 gives these two.
		{"America/New_York", "2007-11-04T01:30:00", "2007-11-04T05:30:00Z", "doubled: the first, daylight time"},
		{"America/New_York", "2007-03-11T02:30:00", "2007-03-11T07:30:00Z", "jumped over: standard time's offset"},
		// By the same rule, from the zones' transitions in the IANA database.
		{"America/New_York", "2007-03-11T01:59:59", "2007-03-11T06:59:59Z", "just before the jump"},
		{"America/New_York", "2007-03-11T03:00:00", "2007-03-11T07:00:00Z", "just after the jump"},
		{"America/New_York", "2007-11-04T02:00:00", "2007-11-04T07:00:00Z", "just after the doubled hour"},
		{"Australia/Lord_Howe", "2026-10-04T02:15:00", "2026-10-03T15:45:00Z", "a jump of half an hour"},
		{"Australia/Lord_Howe", "2026-04-05T01:45:00", "2026-04-04T14:45:00Z", "doubled half an hour"},
		{"America/Sao_Paulo", "2018-11-04T00:00:00", "2018-11-04T03:00:00Z", "midnight does not exist"},
		{"Pacific/Apia", "2011-12-30T12:00:00", "2011-12-30T22:00:00Z", "a whole day is left out"},
		{"Etc/UTC", "2026-01-05T09:00:00", "2026-01-05T09:00:00Z", "no rules at all"},
		{"Etc/GMT-14", "2026-01-05T09:00:00", "2026-01-04T19:00:00Z", "far east"},
		{"Etc/GMT+12", "2026-01-05T09:00:00", "2026-01-05T21:00:00Z", "far west"},
		{"Europe/Berlin", "2028-12-31T12:00:00", "2028-12-31T11:00:00Z", "the last day of a leap year: this never returned"},
		{"America/New_York", "2028-12-31T23:30:00", "2029-01-01T04:30:00Z", "the same, into the new year"},
	}
	for _, tt := range tests {
		if got := local(t, tt.local).In(location(t, tt.zone)).UTC().Format(time.RFC3339); got != tt.utc {
			t.Errorf("%s in %s (%s): %s, want %s", tt.local, tt.zone, tt.why, got, tt.utc)
		}
	}
}

// TestLocalTimeIsTheFirst: the instant shows the wall time, and no earlier one
// does; or none does, and it shows it by the offset before the jump.
func TestLocalTimeIsTheFirst(t *testing.T) {
	names := []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Tehran", "Pacific/Apia", "America/Sao_Paulo", "Etc/UTC"}
	rapid.Check(t, func(t *rapid.T) {
		zone, err := zone.Load(rapid.SampledFrom(names).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		// Near a transition, where there is one, every second is of interest.
		at := time.Unix(rapid.Int64Range(946684800, 1893456000).Draw(t, "about"), 0).In(zone)
		if _, end := at.ZoneBounds(); !end.IsZero() {
			at = end.Add(time.Duration(rapid.IntRange(-100, 100).Draw(t, "minutes")) * time.Minute)
		}
		_, offset := at.Zone()
		l := LocalTime{time.Unix(at.Unix()+int64(offset), 0).UTC()}
		shows := func(instant time.Time) bool { return instant.In(zone).Format(localLayout) == l.String() }
		got := l.In(zone)
		if !shows(got) {
			t.Fatalf("%s exists at %v, but In gives %v", l, at, got)
		}
		for before := got.Add(-15 * time.Minute); got.Sub(before) <= 26*time.Hour; before = before.Add(-15 * time.Minute) {
			if shows(before) {
				t.Fatalf("%s is shown at %v, before %v", l, before, got)
			}
		}
	})
}

func TestGarbageTimes(t *testing.T) {
	garbage := []string{"", "now", "2026-13-01T00:00:00", "2026-01-01", "2026-01-01T00:00", "2026-01-01 00:00:00", "2026-02-30T00:00:00", "1999-12-31T23:59:59", "2200-01-01T00:00:00", "2026-01-01T24:00:00"}
	for _, text := range garbage {
		var l LocalTime
		if l.UnmarshalText([]byte(text)) == nil {
			t.Errorf("%q is taken as the local time %s", text, l)
		}
		var i instant
		if i.UnmarshalText([]byte(text)) == nil || i.UnmarshalText([]byte(text+"Z")) == nil {
			t.Errorf("%q is taken as an instant", text)
		}
		var d day
		if text != "2026-01-01" && d.UnmarshalText([]byte(text)) == nil {
			t.Errorf("%q is taken as a day", text)
		}
	}
	var l LocalTime
	if l.UnmarshalText([]byte("2026-01-01T00:00:00Z")) == nil {
		t.Error("a local time has no zone")
	}
	var i instant
	if i.UnmarshalText([]byte("2026-01-01T00:00:00.5Z")) == nil {
		t.Error("an instant has whole seconds")
	}
	if err := i.UnmarshalText([]byte("2026-01-01T01:00:00+01:00")); err != nil || i.Format(time.RFC3339) != "2026-01-01T00:00:00Z" {
		t.Errorf("an offset is turned into UTC: %v %v", i, err)
	}
}
