package duty

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var noon = time.Date(2026, 12, 1, 12, 0, 0, 0, time.UTC)

const hour = time.Hour

func TestStart(t *testing.T) {
	for _, c := range []struct {
		length time.Duration
		want   Reason
	}{{0, TooShort}, {time.Minute - 1, TooShort}, {time.Minute, Fine}, {12 * hour, Fine}, {12*hour + 1, TooLong}, {-hour, TooShort}} {
		p, got := Start("hilltop", "ada", "call me", c.length, noon)
		if got != c.want || (got == Fine) != p.At(noon) {
			t.Errorf("%v: %q, %+v", c.length, got, p)
		}
	}
}

func TestWhoIsInControlWhen(t *testing.T) {
	period := func(length time.Duration, change func(*Period)) Period {
		p, reason := Start("hilltop", "ada", "", length, noon)
		if reason != Fine {
			t.Fatal(reason)
		}
		change(&p)
		return p
	}
	same := func(*Period) {}
	for name, c := range map[string]struct {
		period Period
		ends   time.Duration // after noon
	}{
		"short":                     {period(2*hour, same), 2 * hour},
		"not confirmed":             {period(12*hour, same), 4 * hour},
		"confirmed once":            {period(12*hour, func(p *Period) { p.Confirmed = noon.Add(3 * hour) }), 7 * hour},
		"confirmed to the end":      {period(12*hour, func(p *Period) { p.Confirmed = noon.Add(10 * hour) }), 12 * hour},
		"ended early":               {period(12*hour, func(p *Period) { p.Ended = noon.Add(hour) }), hour},
		"ended when it was over":    {period(2*hour, func(p *Period) { p.Ended = noon.Add(3 * hour) }), 2 * hour},
		"ended at once by a slip":   {period(2*hour, func(p *Period) { p.Ended = noon }), 0},
		"confirmed late, then ends": {period(4*hour, func(p *Period) { p.Confirmed = noon.Add(4*hour - 1) }), 4 * hour},
	} {
		end := noon.Add(c.ends)
		if got := c.period.End(); !got.Equal(end) {
			t.Errorf("%s: ends at %v, want %v", name, got, end)
		}
		if c.ends > 0 && !c.period.At(end.Add(-1)) || c.period.At(end) || c.period.At(noon.Add(-1)) {
			t.Errorf("%s: in control at the wrong time", name)
		}
	}
}

func TestOnlyWhoIsInControlConfirms(t *testing.T) {
	p, _ := Start("hilltop", "ada", "", 12*hour, noon)
	for name, c := range map[string]struct {
		period Period
		person string
		at     time.Duration
		want   Reason
	}{
		"in time":       {p, "ada", 4*hour - 1, Fine},
		"too late":      {p, "ada", 4 * hour, OverAlready},
		"somebody else": {p, "bob", hour, NotTheirs},
		"nobody":        {Period{}, "ada", hour, Nobody},
	} {
		got, reason := Confirmation(c.period, c.person, noon.Add(c.at))
		if reason != c.want || (reason == Fine) != got.Confirmed.Equal(noon.Add(c.at)) {
			t.Errorf("%s: %q, %+v", name, reason, got)
		}
	}
}

// No period, however confirmed, lasts longer than twelve hours or four without a
// word.
func TestLimitsHoldWhateverIsConfirmed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := time.Duration(rapid.Int64Range(int64(time.Minute), int64(Longest)).Draw(t, "length"))
		p, _ := Start("hilltop", "ada", "", length, noon)
		now, last := noon, noon
		for range rapid.IntRange(0, 20).Draw(t, "confirmations") {
			now = now.Add(time.Duration(rapid.Int64Range(0, int64(6*hour)).Draw(t, "pass")))
			if next, reason := Confirmation(p, "ada", now); reason == Fine {
				p, last = next, now
			}
		}
		if p.End().After(noon.Add(Longest)) || p.End().After(last.Add(Confirm)) {
			t.Fatalf("confirmed at %v, and it ends at %v", last, p.End())
		}
	})
}

func TestWhoIsAsked(t *testing.T) {
	turn := Turn{Entry: 1, Site: "hilltop", Person: "bob", From: noon.Add(2 * hour), Until: noon.Add(6 * hour)}
	ada := func(length time.Duration) map[string]Period {
		p, _ := Start("hilltop", "ada", "", length, noon)
		return map[string]Period{"hilltop": p}
	}
	bob, _ := Start("hilltop", "bob", "", 8*hour, noon.Add(2*hour))
	asked := turn
	asked.Asked = noon
	for name, c := range map[string]struct {
		turn    Turn
		present map[string]Period
		at      time.Duration
		want    bool
	}{
		"long before":                          {turn, nil, 0, false},
		"a quarter of an hour before":          {turn, nil, 2*hour - AskBefore, true},
		"just before that":                     {turn, nil, 2*hour - AskBefore - 1, false},
		"while another is in control longer":   {turn, ada(3 * hour), 2 * hour, false},
		"before the other's period ends":       {turn, ada(3 * hour), 3*hour - AskBefore, true},
		"the other is in control past my turn": {turn, ada(4 * hour), 2 * hour, false},
		"asked already":                        {asked, nil, 2 * hour, false},
		"over":                                 {turn, nil, 6 * hour, false},
		"in control themselves to the end":     {turn, map[string]Period{"hilltop": bob}, 3 * hour, false}, // of their turn, at 6 h
	} {
		if got := len(ToAsk([]Turn{c.turn}, c.present, noon.Add(c.at))) == 1; got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestTurnsAreBounded(t *testing.T) {
	turn := func(from, until time.Duration) Turn { return Turn{From: noon.Add(from), Until: noon.Add(until)} }
	for name, c := range map[string]struct {
		turn Turn
		want Reason
	}{
		"fine":      {turn(hour, 2*hour), Fine},
		"has begun": {turn(-hour, hour), Fine},
		"backwards": {turn(2*hour, hour), BadTurn},
		"empty":     {turn(hour, hour), BadTurn},
		"over":      {turn(-2*hour, 0), BadTurn},
		"too long":  {turn(0, LongestTurn+1), BadTurn},
		"next year": {turn(FarthestOff+1, FarthestOff+hour), BadTurn},
	} {
		if got := c.turn.Check(noon); got != c.want {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// Who is asked is told when, where, who is in control, what happens otherwise,
// and what to type.
func TestWhoIsAskedIsToldWhatTheyNeed(t *testing.T) {
	now := time.Date(2026, 12, 1, 11, 45, 0, 0, time.UTC)
	turn := Turn{Site: "mill", Person: "ada", From: now.Add(15 * time.Minute), Until: now.Add(4 * time.Hour)}
	present := Period{Site: "mill", Person: "bob", Contact: "bob@club.example", Started: now.Add(-time.Hour), Confirmed: now.Add(-time.Hour), Until: now.Add(15 * time.Minute)}
	subject, text := turn.Words(present, true, now)
	want := `ada, your turn at site mill is from 2026-12-01 12:00 UTC to 2026-12-01 15:45 UTC.

In control until 2026-12-01 12:00 UTC is bob (bob@club.example).

While nobody is, its beacons under remote control are silent.

To take over: lamplighter duty start mill
`
	if subject != "please take duty at mill" || text != want {
		t.Errorf("%s\n%s", subject, text)
	}
	if _, text := turn.Words(Period{}, false, now); !strings.Contains(text, "Nobody is in control now.") || strings.Contains(text, "silent") {
		t.Error(text)
	}
}
