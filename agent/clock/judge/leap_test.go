package judge

import (
	"testing"
	"time"
)

// over plays the end of a half-year: change happens 10 s before, the second is
// inserted or left out at its end, and after is how long that was ago.
func over(announced Leap, servers int, shift time.Duration, change func(r *rig), after int) func(r *rig) Verdict {
	return func(r *rig) Verdict {
		ends := time.Date(2027, 7, 1, 0, 0, 0, 0, time.UTC)
		r.utc = ends.Add(-40*time.Second - 500*time.Millisecond)
		r.daemon = server(servers)
		r.daemon.Leap = announced
		r.seconds(30)
		change(r)
		r.seconds(9)
		if shift > 0 {
			r.utc = r.utc.Add(shift)
			r.seconds(1)
		} else {
			r.seconds(1)
			r.utc = r.utc.Add(shift)
		}
		return r.seconds(after)
	}
}

func TestLeapSecond(t *testing.T) {
	stays := func(*rig) {}
	leaves := func(r *rig) { r.silent, r.daemon = true, nil }
	receiver := func(r *rig) { r.daemon = nil }
	play(t, []scene{
		{"inserted, just then", Config{}, over(LeapInsert, 2, -time.Second, stays, 2), false, 0, LeapSecond, locked},
		{"inserted, 15 s ago", Config{}, over(LeapInsert, 2, -time.Second, stays, 15), true, 25 * ms, Agreed, locked},
		{"inserted, and nobody there", Config{}, over(LeapInsert, 2, -time.Second, leaves, 15), true, 25 * ms, Silent, lost},
		{"inserted, and the receiver there", Config{}, over(LeapInsert, 2, -time.Second, receiver, 15), true, 25 * ms, Agreed, locked},
		{"left out, just then", Config{}, over(LeapDelete, 2, time.Second, stays, 2), false, 0, LeapSecond, locked},
		{"left out, 15 s ago", Config{}, over(LeapDelete, 2, time.Second, stays, 15), true, 25 * ms, Agreed, locked},
		{"left out, and nobody there", Config{}, over(LeapDelete, 2, time.Second, leaves, 15), true, 25 * ms, Silent, lost},
		{"none, and nobody there", Config{}, over(LeapNone, 2, 0, leaves, 2), true, 25 * ms, Silent, lost},
		{"none, two servers say so", Config{}, over(LeapNone, 2, 0, stays, 2), true, 25 * ms, Agreed, locked},
		{"none, one server says so", Config{}, over(LeapNone, 1, 0, stays, 2), false, 0, LeapSecond, locked},
		{"none, one server said so, 15 s ago", Config{}, over(LeapNone, 1, 0, stays, 15), true, 25 * ms, Agreed, locked},
		{"inserted, one server said none", Config{}, over(LeapNone, 1, -time.Second, stays, 15), true, 25 * ms, Agreed, locked},
		{"inserted, unsaid, and nobody there", Config{}, over(LeapUnsaid, 2, -time.Second, leaves, 15), false, 0, LeapUnknown, lost},
		{"inserted, unsaid, and the receiver there", Config{}, over(LeapUnsaid, 2, -time.Second, receiver, 15), false, 0, LeapUnknown, locked},
	})
}

func TestEndOfHalfYear(t *testing.T) {
	for _, test := range []struct{ t, want string }{
		{"2027-06-30T23:59:58Z", "2027-07-01"},
		{"2027-12-31T23:59:58Z", "2028-01-01"},
		{"2028-01-01T00:00:01Z", "2028-01-01"},
		{"2028-07-01T00:00:01Z", "2028-07-01"},
	} {
		at, err := time.Parse(time.RFC3339, test.t)
		if got := end(at).Format(time.DateOnly); err != nil || got != test.want {
			t.Errorf("nearest to %s is %s, want %s (%v)", test.t, got, test.want, err)
		}
	}
}
