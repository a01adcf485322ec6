package lease

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// ask is one request: which run, on which kernel, how long after noon.
type ask struct {
	run, kernel string
	after       time.Duration
}

// decideAll plays requests one after the other, as they would be stored. Between
// requests the holder is heard, if at all, by other things that it says: heard
// gives when.
func decideAll(t *testing.T, asks []ask, heard func(Holder, time.Time) time.Time) (all []Decision) {
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
		if d.Refusal == ClonedIdentity && d.Twice == "" {
			t.Fatalf("%+v: refused as a second device, and nobody is told", a)
		}
		holder = d.Holder
		all = append(all, d)
	}
	return all
}

// S13, in every order in which two runs can ask, eight times, five minutes apart
// as with automatic control, while both say how they are all the time. On two
// kernels they are two devices: whoever asked first is served and the other is
// not, and people are told whenever the second has asked before. On one kernel
// the second may be the first one started anew, and gets its lease at once; but
// once the first asks again both are alive, and only the one that came last is
// served: its lease is the one that would end last.
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
			served, oneKernel := asks[0].run, kernels[0] == kernels[1]
			replaced, asked := false, false // the second on its kernel; the second since the first did
			alive := func(_ Holder, now time.Time) time.Time { return now.Add(time.Nanosecond - Fresh) }
			for i, d := range decideAll(t, asks, alive) {
				if run := asks[i].run; run != served && oneKernel && !replaced {
					served, replaced = run, true // a restart, for all that is known
				}
				second := asks[i].run != served
				told := asked || second && oneKernel
				if refused := d.Refusal != ""; refused != second || told != (d.Twice != "") {
					t.Fatalf("kernels %v, order %s, request %d: refused %q, told %q; want refused %v, told %v", kernels, &picture, i, d.Refusal, d.Twice, second, told)
				}
				asked = second && !oneKernel
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
		want string // one letter for each: g granted, w waits, c another device is alive; G and people are told
	}{
		"a restart":                                  {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"b", "k", 21 * sec}}, "ggg"},
		"restart upon restart":                       {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"c", "k", 2 * sec}, {"d", "k", 3 * sec}}, "gggg"},
		"the first speaks after a restart":           {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"a", "k", 20 * sec}, {"b", "k", 21 * sec}, {"a", "k", 40 * sec}}, "ggcgc"},
		"two kernels":                                {[]ask{{"a", "k", 0}, {"b", "l", sec}, {"a", "k", 20 * sec}, {"b", "l", 21 * sec}, {"a", "k", 22 * sec}}, "gwGwG"},
		"the clone starts anew":                      {[]ask{{"a", "k", 0}, {"b", "l", sec}, {"c", "l", 2 * sec}, {"a", "k", 20 * sec}}, "gwwG"},
		"the first starts anew beside a clone":       {[]ask{{"a", "k", 0}, {"b", "l", sec}, {"c", "k", 20 * sec}, {"b", "l", 21 * sec}}, "gwGw"},
		"a reboot within the minute waits for it":    {[]ask{{"a", "k", 0}, {"b", "l", 40 * sec}, {"b", "l", 60 * sec}, {"b", "l", 80 * sec}}, "gwgg"},
		"reboot upon reboot":                         {[]ask{{"a", "k", 0}, {"b", "l", 20 * sec}, {"c", "m", 40 * sec}, {"c", "m", 60 * sec}, {"c", "m", 80 * sec}}, "gwwgg"},
		"a reboot after the minute":                  {[]ask{{"a", "k", 0}, {"b", "l", 60 * sec}, {"b", "l", 80 * sec}}, "ggg"},
		"a reboot, and the former kernel speaks":     {[]ask{{"a", "k", 0}, {"b", "l", 60 * sec}, {"a", "k", 80 * sec}}, "ggc"},
		"what is refused keeps nobody alive":         {[]ask{{"a", "k", 0}, {"b", "l", 59 * sec}, {"b", "l", 60 * sec}}, "gwg"},
		"the one that came last falls silent":        {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"a", "k", 30 * sec}, {"a", "k", 61 * sec}}, "ggcg"},
		"... and comes back beside the first":        {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"a", "k", 61 * sec}, {"b", "k", 62 * sec}}, "gggc"},
		"three on one kernel: the first comes again": {[]ask{{"a", "k", 0}, {"b", "k", sec}, {"c", "k", 2 * sec}, {"a", "k", 3 * sec}, {"c", "k", 4 * sec}}, "ggggc"},
	} {
		t.Run(name, func(t *testing.T) {
			var got strings.Builder
			for _, d := range decideAll(t, c.asks, func(h Holder, _ time.Time) time.Time { return h.Heard }) {
				letter, ok := map[Reason]string{"": "g", ClonedIdentity: "c", OtherKernel: "w"}[d.Refusal]
				if !ok {
					t.Fatalf("refused: %s", d.Refusal)
				}
				if d.Refusal == "" && d.Twice != "" {
					letter = "G"
				}
				got.WriteString(letter)
			}
			if got.String() != c.want {
				t.Errorf("%s, want %s", &got, c.want)
			}
		})
	}
}

// fighter is one of two devices that take the broker's session from one another.
type fighter struct {
	run, kernel string
	failures    int
	connects    time.Duration // next; 0: it is connected
}

// S13: people are told within a minute of the second device's first request. The
// devices connect as agents do: whoever is cut off tries again after a wait
// drawn from the whole of 1 s · 2ⁿ, a minute at most, with n zero after a good
// link. From connecting it takes up to a second until it is heard, and as long
// again until it asks; who is cut off before has not.
func TestTwoDevicesAtOneBrokerAreToldOfWithinAMinute(t *testing.T) {
	b, worst := NewBook(readFleet(t, fleetText)), time.Duration(0)
	for seed := range uint64(20_000) {
		random := rand.New(rand.NewPCG(seed, 13))
		draw := func(most time.Duration) time.Duration { return time.Duration(random.Int64N(int64(most))) + 1 }
		holder := Holder{Run: "a", BootID: "k", Heard: noon}
		first, second := &fighter{run: "a", kernel: "k"}, &fighter{run: "b", kernel: "l", connects: draw(Fresh / 2)}
		told, asked := false, time.Duration(-1)
		for there, next := first, second; !told; there, next = next, there {
			cut := next.connects
			there.connects = cut + draw(min(time.Minute, time.Second<<min(there.failures, 6)))
			there.failures++
			says := cut + draw(time.Second)
			if next == first && says < there.connects {
				holder.Heard = noon.Add(says)
			}
			if at := says + draw(time.Second); at < there.connects {
				d := b.Decide(Request{Beacon: "hill-a", Run: next.run, BootID: next.kernel, Reader: Format}, Known{Holder: holder, HeldKnown: true, Now: noon.Add(at)})
				holder, told = d.Holder, d.Twice != ""
				switch {
				case next == second && d.Refusal == "":
					t.Fatalf("seed %d: the second device is served at %s", seed, at)
				case next == second && asked < 0:
					asked = at
				case told:
					worst = max(worst, at-asked)
				}
			}
		}
	}
	if worst > time.Minute || worst == 0 {
		t.Errorf("it took up to %s until people were told", worst)
	}
	t.Logf("at most %s", worst)
}
