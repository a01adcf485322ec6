package guess

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

var noon = time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)

func TestWaits(t *testing.T) {
	for _, c := range []struct {
		rule  Rule
		count int
		wait  time.Duration
	}{
		{ByName, 0, 0},
		{ByName, 10, 0},
		{ByName, 11, time.Second},
		{ByName, 12, 2 * time.Second},
		{ByName, 16, 32 * time.Second},
		{ByName, 17, time.Minute},
		{ByName, 1 << 30, time.Minute},
		{ByAddress, 20, 0},
		{ByAddress, 21, time.Second},
		{ByAddress, 31, 15 * time.Minute},
		{ByAddress, 60, 15 * time.Minute},
	} {
		if got := c.rule.BlockedUntil(Failures{c.count, noon}).Sub(noon); got != c.wait {
			t.Errorf("%d failures, longest %v: wait %v, want %v", c.count, c.rule.Longest, got, c.wait)
		}
	}
}

// The figures of the package comment: what somebody reaches who tries as soon as
// they may, all day.
func TestADayOfGuessing(t *testing.T) {
	for _, c := range []struct {
		rule Rule
		most int
	}{{ByName, 1455}, {ByAddress, 127}} {
		var f Failures
		tries := 0
		for now := noon; now.Before(noon.Add(24 * time.Hour)); now = c.rule.BlockedUntil(f) {
			f = f.After(now)
			tries++
		}
		if tries > c.most || tries < c.most-20 {
			t.Errorf("longest wait %v: %d tries in a day, the comment says at most %d", c.rule.Longest, tries, c.most)
		}
	}
}

func TestADayWithoutAFailureForgetsAll(t *testing.T) {
	if got := (Failures{500, noon}).After(noon.Add(Forget)); got.Count != 1 {
		t.Errorf("still %d", got.Count)
	}
	if got := (Failures{500, noon}).After(noon.Add(Forget - 1)); got.Count != 501 {
		t.Errorf("%d already", got.Count)
	}
}

func TestMoreFailuresNeverWaitLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 1<<40).Draw(t, "failures")
		for _, r := range []Rule{ByName, ByAddress} {
			one, two := r.BlockedUntil(Failures{n, noon}), r.BlockedUntil(Failures{n + 1, noon})
			if two.Before(one) || two.After(noon.Add(r.Longest)) || one.Before(noon) {
				t.Fatalf("%d: %v, then %v", n, one, two)
			}
		}
	})
}
