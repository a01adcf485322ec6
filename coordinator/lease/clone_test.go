package lease

import (
	"strings"
	"testing"
	"time"
)

// ask is one request: which run, on which kernel, how long after noon.
type ask struct {
	run, kernel string
	after       time.Duration
}

// decideAll plays requests one after the other, as they would be stored, and
// says for each why it was refused; empty: granted. Between requests the holder
// is heard, if at all, by other things that it says: heard gives when.
func decideAll(t *testing.T, asks []ask, heard func(Holder, time.Time) time.Time) (refusals []Reason) {
	t.Helper()
	b := NewBook(readFleet(t, fleetText))
	var holder Holder
	for _, a := range asks {
		now := noon.Add(a.after)
		if holder.Run != "" {
			holder.Heard = heard(holder, now)
		}
		d := b.Decide(Request{Beacon: "hill-a", Run: a.run, BootID: a.kernel, Reader: Format},
			Known{Holder: holder, HeldKnown: true, Now: now})
		holder = d.Holder
		refusals = append(refusals, d.Refusal)
	}
	return refusals
}

// S13, in every order in which two runs can ask, eight times, five minutes apart
// as with automatic control, while both say how they are all the time. On two
// kernels they are two devices: whoever asked first is served and the other is
// not. On one kernel the second may be the first one started anew, and gets its
// lease at once; but once the first asks again both are alive, and only the one
// that came last is served: its lease is the one that would end last.
func TestOfTwoRunsThatAreAliveOnlyOneIsServed(t *testing.T) {
	const long = 8
	for _, kernels := range [][2]string{{"k1", "k1"}, {"k1", "k2"}} {
		for order := range 1 << long {
			runs := [2]string{"a", "b"}
			var asks []ask
			var picture strings.Builder
			for i := range long {
				who := order >> i & 1
				asks = append(asks, ask{runs[who], kernels[who], time.Duration(i) * 5 * time.Minute})
				picture.WriteString(runs[who])
			}
			served := asks[0].run
			replaced := false
			alive := func(_ Holder, now time.Time) time.Time { return now.Add(time.Nanosecond - Fresh) }
			for i, refusal := range decideAll(t, asks, alive) {
				if run := asks[i].run; run != served && kernels[0] == kernels[1] && !replaced {
					served, replaced = run, true // a restart, for all that is known
				}
				want := Reason("")
				if asks[i].run != served {
					want = ClonedIdentity
				}
				if refusal != want {
					t.Fatalf("kernels %v, order %s, request %d: %q, want %q", kernels, &picture, i, refusal, want)
				}
			}
		}
	}
}

// What follows from who asks when, where nobody says anything else. Of three runs
// on one kernel the first is taken for another restart, and it is the next
// request of the third that tells.
func TestASecondRunAndAClone(t *testing.T) {
	const sec = time.Second
	for name, c := range map[string]struct {
		asks []ask
		want string // one letter for each: g granted, c another device is alive
	}{
		"a restart":                                  {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"b", "k", 21 * sec}}, "ggg"},
		"restart upon restart":                       {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"c", "k", 2 * sec}, {"d", "k", 3 * sec}}, "gggg"},
		"the first speaks after a restart":           {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"a", "k", 20 * sec}, {"b", "k", 21 * sec}, {"a", "k", 40 * sec}}, "ggcgc"},
		"two kernels":                                {[]ask{{"a", "k", 0}, {"b", "l", sec}, {"a", "k", 20 * sec}, {"b", "l", 21 * sec}}, "gcgc"},
		"the clone starts anew":                      {[]ask{{"a", "k", 0}, {"b", "l", sec}, {"c", "l", 2 * sec}, {"a", "k", 20 * sec}}, "gccg"},
		"the first starts anew beside a clone":       {[]ask{{"a", "k", 0}, {"b", "l", sec}, {"c", "k", 20 * sec}, {"b", "l", 21 * sec}}, "gcgc"},
		"a reboot within the minute waits for it":    {[]ask{{"a", "k", 0}, {"b", "l", 40 * sec}, {"b", "l", 60 * sec}}, "gcg"},
		"a reboot, and the former kernel speaks":     {[]ask{{"a", "k", 0}, {"b", "l", 60 * sec}, {"a", "k", 80 * sec}}, "ggc"},
		"what is refused keeps nobody alive":         {[]ask{{"a", "k", 0}, {"b", "l", 59 * sec}, {"b", "l", 60 * sec}}, "gcg"},
		"the one that came last falls silent":        {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"a", "k", 30 * sec}, {"a", "k", 61 * sec}}, "ggcg"},
		"... and comes back beside the first":        {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"a", "k", 61 * sec}, {"b", "k", 62 * sec}}, "gggc"},
		"three on one kernel: the first comes again": {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"c", "k", 2 * sec}, {"a", "k", 3 * sec}, {"c", "k", 4 * sec}}, "ggggc"},
	} {
		t.Run(name, func(t *testing.T) {
			var got strings.Builder
			for _, refusal := range decideAll(t, c.asks, func(h Holder, _ time.Time) time.Time { return h.Heard }) {
				letter, ok := map[Reason]string{"": "g", ClonedIdentity: "c"}[refusal]
				if !ok {
					t.Fatalf("refused: %s", refusal)
				}
				got.WriteString(letter)
			}
			if got.String() != c.want {
				t.Errorf("%s, want %s", &got, c.want)
			}
		})
	}
}
