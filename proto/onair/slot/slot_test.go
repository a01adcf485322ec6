package slot_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"lamplighter/proto/onair/slot"
)

func at(t *testing.T, text string) time.Time {
	t.Helper()
	when, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		t.Fatal(err)
	}
	return when
}

// Slots of 120 s begin on even UTC minutes (public protocol texts); numbers by
// arithmetic from Unix time.
func TestAt(t *testing.T) {
	for _, c := range []struct {
		when  string
		want  slot.Number
		start string
	}{
		{"1970-01-01T00:00:00Z", 0, "1970-01-01T00:00:00Z"},
		{"1970-01-01T00:01:59.999999999Z", 0, "1970-01-01T00:00:00Z"},
		{"1970-01-01T00:02:00Z", 1, "1970-01-01T00:02:00Z"},
		{"1969-12-31T23:59:59.999999999Z", -1, "1969-12-31T23:58:00Z"},
		{"1969-12-31T23:58:00Z", -1, "1969-12-31T23:58:00Z"},
		{"1969-12-31T23:57:59Z", -2, "1969-12-31T23:56:00Z"},
		{"2026-12-01T00:05:30Z", 1796083200/120 + 2, "2026-12-01T00:04:00Z"},
		{"2026-12-01T05:35:30+05:30", 1796083200/120 + 2, "2026-12-01T00:04:00Z"},
		{"0001-01-01T00:00:01Z", -62135596800 / 120, "0001-01-01T00:00:00Z"},
	} {
		n := slot.Standard.At(at(t, c.when))
		if start := slot.Standard.Start(n); n != c.want || start.Format(time.RFC3339Nano) != c.start {
			t.Errorf("%s: slot %d from %v, want %d from %s", c.when, n, start, c.want, c.start)
		}
	}
}

func TestIntervals(t *testing.T) {
	for _, c := range []struct {
		from, to              string
		starting, overlapping [2]slot.Number
	}{
		{"1970-01-01T00:00:00Z", "1970-01-01T00:04:00Z", [2]slot.Number{0, 2}, [2]slot.Number{0, 2}},
		{"1970-01-01T00:00:00.000000001Z", "1970-01-01T00:04:00.000000001Z", [2]slot.Number{1, 3}, [2]slot.Number{0, 3}},
		{"1970-01-01T00:03:00Z", "1970-01-01T00:03:30Z", [2]slot.Number{2, 2}, [2]slot.Number{1, 2}},
		{"1970-01-01T00:02:00Z", "1970-01-01T00:02:00Z", [2]slot.Number{1, 1}, [2]slot.Number{1, 1}},
		{"1970-01-01T00:03:00Z", "1970-01-01T00:03:00Z", [2]slot.Number{2, 2}, [2]slot.Number{1, 1}},
		{"1970-01-01T01:00:00Z", "1970-01-01T00:00:00Z", [2]slot.Number{30, 30}, [2]slot.Number{30, 30}},
		{"1969-12-31T23:57:00Z", "1970-01-01T00:01:00Z", [2]slot.Number{-1, 1}, [2]slot.Number{-2, 1}},
	} {
		from, to := at(t, c.from), at(t, c.to)
		if first, end := slot.Standard.Starting(from, to); first != c.starting[0] || end != c.starting[1] {
			t.Errorf("starting in [%s, %s): [%d, %d), want %v", c.from, c.to, first, end, c.starting)
		}
		if first, end := slot.Standard.Overlapping(from, to); first != c.overlapping[0] || end != c.overlapping[1] {
			t.Errorf("overlapping [%s, %s): [%d, %d), want %v", c.from, c.to, first, end, c.overlapping)
		}
	}
}

// By definition: a slot holds the instant it was found for; a slot is among
// those starting in an interval exactly when its start lies in it, and among
// those overlapping exactly when start < to and end > from.
func TestDefinitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := slot.Length(rapid.SampledFrom([]int64{1, 2, 10, 60, 120, 300, 86400}).Draw(t, "length"))
		from := time.Unix(rapid.Int64Range(-1e6, 1e6).Draw(t, "from"), rapid.SampledFrom([]int64{0, 1, 999999999}).Draw(t, "ns"))
		to := from.Add(time.Duration(rapid.Int64Range(1, int64(time.Hour)).Draw(t, "long")))
		n := l.At(from)
		if l.Start(n).After(from) || !l.End(n).After(from) || !l.Middle(n).Equal(l.Start(n).Add(l.End(n).Sub(l.Start(n))/2)) {
			t.Fatalf("%v is not in slot %d, [%v, %v)", from, n, l.Start(n), l.End(n))
		}
		first, end := l.Starting(from, to)
		overFirst, overEnd := l.Overlapping(from, to)
		for n := l.At(from) - 2; n <= l.At(from)+2; n++ {
			inside := !l.Start(n).Before(from) && l.Start(n).Before(to)
			if inside != (n >= first && n < end) {
				t.Fatalf("slot %d starting in [%v, %v) is %v, but [%d, %d)", n, from, to, inside, first, end)
			}
			shares := l.Start(n).Before(to) && l.End(n).After(from)
			if shares != (n >= overFirst && n < overEnd) {
				t.Fatalf("slot %d overlapping [%v, %v) is %v, but [%d, %d)", n, from, to, shares, overFirst, overEnd)
			}
		}
	})
}

func TestDay(t *testing.T) {
	if got := slot.Standard.PerDay(); got != 720 {
		t.Errorf("%d slots a day, want 720", got)
	}
	for _, when := range []string{"2026-12-01T00:00:00Z", "2026-12-01T23:59:59Z", "1969-12-31T12:00:00Z", "1969-12-31T23:59:00Z", "0004-02-29T10:00:00Z"} {
		n := slot.Standard.At(at(t, when))
		midnight := at(t, when[:10]+"T00:00:00Z")
		first, end := slot.Standard.Day(n)
		if first != slot.Standard.At(midnight) || int64(end-first) != 720 || !slot.Standard.DayStart(n).Equal(midnight) {
			t.Errorf("%s: [%d, %d) from %v", when, first, end, slot.Standard.DayStart(n))
		}
	}
}

func TestCheck(t *testing.T) {
	for l, good := range map[slot.Length]bool{120: true, 10: true, 1: true, 86400: true, 0: false, -120: false, 7: false, 86401: false, 172800: false} {
		if err := l.Check(); (err == nil) != good {
			t.Errorf("%d s: %v", l, err)
		}
	}
}
