package alert_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"lamplighter/coordinator/alert"
	"lamplighter/coordinator/fleet"
)

// sentenceOf is what is found of a condition at b-0-0 or its site; empty: it is not.
func (w *world) sentenceOf(code alert.Code) (sentence string, step int) {
	for _, f := range alert.Look(&w.observed, w.now).Findings {
		if f.Code == code {
			return f.Sentence, f.Step
		}
	}
	return "", 0
}

func (w *world) know(change func(b *alert.Beacon)) {
	b := w.observed.Beacons["b-0-0"]
	change(&b)
	w.observed.Beacons["b-0-0"] = b
}

func TestABatteryIsForetold(t *testing.T) {
	for _, c := range []struct {
		name  string
		volts func(hours float64) float64 // before now
		says  string                      // empty: nothing
		step  int
	}{
		// 12.29 V six hours ago, 0.2 V an hour: 11.09 V now, 0.59 V to go are 2 h 57 min.
		{"falls steadily", func(h float64) float64 { return 11.09 + 0.2*h }, "from 12.29 V to 11.09 V in 6 h 0 min. If it goes on so it reaches 10.50 V, where it is cut off and the beacon falls silent, in 2 h 57 min, at 2026-11-25 14:57:00 UTC", 1},
		{"has less than an hour", func(h float64) float64 { return 10.6 + 0.2*h }, "in 30 min", 2},
		{"is empty", func(h float64) float64 { return 10.4 + 0.2*h }, "in 0 s", 2},
		{"lasts until tomorrow", func(h float64) float64 { return 13 + 0.2*h }, "", 0},
		{"is charged", func(h float64) float64 { return 11 - 0.2*h }, "", 0},
		{"only scatters", func(h float64) float64 { return 11 + 0.001*h + 0.05*math.Sin(40*h) }, "", 0},
		{"falls, with a wild reading", func(h float64) float64 {
			if h == 2 {
				return 1
			}
			return 11.09 + 0.2*h
		}, "in 2 h 57 min", 1},
		{"falls, and scatters", func(h float64) float64 { return 11.09 + 0.2*h + 0.02*math.Sin(40*h) }, "falls silent, in 3 h", 0},
	} {
		w := newWorld(t, text(2, 1, limits))
		var supply []alert.Volts
		for half := 12; half >= 0; half-- {
			h := float64(half) / 2
			supply = append(supply, alert.Volts{At: w.now.Add(-time.Duration(half) * 30 * time.Minute), Volts: c.volts(h)})
		}
		w.know(func(b *alert.Beacon) { b.Supply = supply })
		if got, step := w.sentenceOf(alert.SupplyEnds); (got == "") != (c.says == "") || !strings.Contains(got, c.says) || step != c.step {
			t.Errorf("that %s: %q, step %d; want %q, %d", c.name, got, step, c.says, c.step)
		}
		for _, few := range [][]alert.Volts{nil, supply[:5], supply[10:]} {
			w.know(func(b *alert.Beacon) { b.Supply = few })
			if got, _ := w.sentenceOf(alert.SupplyEnds); got != "" {
				t.Errorf("that %s: %d readings make a forecast: %s", c.name, len(few), got)
			}
		}
	}
	// Nobody said at what it is cut off.
	w := newWorld(t, text(2, 1, ada))
	w.know(func(b *alert.Beacon) {
		for i := range 13 {
			b.Supply = append(b.Supply, alert.Volts{At: w.now.Add(time.Duration(i-13) * 30 * time.Minute), Volts: 12 - float64(i)/2})
		}
	})
	if got, _ := w.sentenceOf(alert.SupplyEnds); got != "" {
		t.Errorf("foretold without a limit: %s", got)
	}
}

func TestAWeekOfLessThanAFairShare(t *testing.T) {
	lean, well := alert.Day{Fair: 100, Sent: 89, Heard: 20 * time.Hour, Lost: "late"}, alert.Day{Fair: 100, Sent: 90, Heard: 20 * time.Hour}
	for _, c := range []struct {
		name   string
		change func(days []alert.Day) []alert.Day
		want   bool
	}{
		{"seven lean days", func(d []alert.Day) []alert.Day { return d }, true},
		{"one of them is just enough", func(d []alert.Day) []alert.Day { d[4] = well; return d }, false},
		{"six days are known", func(d []alert.Day) []alert.Day { return d[:7] }, false},
		{"today it is well again", func(d []alert.Day) []alert.Day { d[0] = well; return d }, false},
		{"today it is as lean", func(d []alert.Day) []alert.Day { d[0] = lean; return d }, true},
		{"today is young", func(d []alert.Day) []alert.Day { d[0] = alert.Day{Fair: 4, Sent: 4}; return d }, true},
		{"it was hardly heard on one", func(d []alert.Day) []alert.Day { d[7].Heard = 11 * time.Hour; return d }, false},
		{"it had hardly any slots on one", func(d []alert.Day) []alert.Day { d[1].Fair, d[1].Sent = 4, 0; return d }, false},
		{"more reasons", func(d []alert.Day) []alert.Day {
			for i := range 6 {
				d[i+1].Lost = "no_lease"
			}
			return d
		}, true},
	} {
		w := newWorld(t, text(2, 1, ada))
		days := []alert.Day{{}}
		for range 7 {
			days = append(days, lean)
		}
		days = c.change(days)
		w.know(func(b *alert.Beacon) { b.Days = days })
		got, _ := w.sentenceOf(alert.ShareMissed)
		if (got != "") != c.want || c.want && !strings.Contains(got, "623 of 700 slots") {
			t.Errorf("%s: %q", c.name, got)
		}
		if c.want && !strings.Contains(got, map[bool]string{true: "no_lease", false: "late"}[c.name == "more reasons"]) {
			t.Errorf("%s: the reason is not told: %s", c.name, got)
		}
	}
}

// 90, 30, 7 and 1 days before, each once, and at the end.
func TestWhatRunsOutIsToldInSteps(t *testing.T) {
	file := text(2, 1, ada)
	w := newWorld(t, file)
	end := begin.Add(100 * 24 * time.Hour)
	w.fleet.Beacons[0].Papers = []fleet.Paper{{What: "calibration of the oscillator", ValidTo: end}, {What: "mast permit", ValidTo: end.Add(300 * 24 * time.Hour)}}
	var left []int
	for w.now.Before(end.Add(24 * time.Hour)) {
		w.now = w.now.Add(20 * time.Minute) // well beyond the time to raise
		w.report()
		told := len(w.told)
		w.look()
		if len(w.told) > told {
			left = append(left, int(math.Ceil(end.Sub(w.now).Hours()/24)))
		}
	}
	w.want("began paper_ends b-0-0", "more_urgent paper_ends b-0-0", "more_urgent paper_ends b-0-0", "more_urgent paper_ends b-0-0")
	for i, want := range []int{90, 30, 7, 1} {
		if i < len(left) && left[i] != want {
			t.Errorf("told %v days before", left)
		}
	}
	if got := w.told[0].Text; !strings.Contains(got, "calibration of the oscillator ends 2027-03-05") || strings.Contains(got, "mast") {
		t.Errorf("told:\n%s", got)
	}
	w.fleet.Beacons[0].Papers[0].ValidTo = end.Add(366 * 24 * time.Hour)
	w.run(2 * time.Minute)
	if last := w.told[len(w.told)-1]; last.What != alert.Over {
		t.Errorf("renewed, and the last word is %s", last.What)
	}
}

func TestWhatReceiversAgreeOnIsTold(t *testing.T) {
	w := newWorld(t, text(2, 1, ada))
	heard := &alert.Hearsay{Stray: alert.Stray{At: begin, Band: "10m", Hz: 28_126_100}, Callsign: "Q0AAA", Receivers: []string{"Q8XYZ", "Q9XYZ"}}
	w.know(func(b *alert.Beacon) { b.HeardOff = heard })
	w.run(time.Minute)
	w.want("began off_plan b-0-0")
	for _, words := range []string{"Receivers Q8XYZ and Q9XYZ heard Q0AAA on 10m at 28126100.0 Hz", "2026-11-25 12:00:00 UTC", "hush --beacon b-0-0"} {
		if !strings.Contains(w.told[0].Text, words) {
			t.Errorf("the mail does not say %q:\n%s", words, w.told[0].Text)
		}
	}
}

// Nothing can be read: the same alerts, by themselves.
func TestADatabaseThatIsAway(t *testing.T) {
	w := newWorld(t, text(2, 1, ada))
	gone := w.now
	step := func(d time.Duration, look func() *alert.Found) {
		for end := w.now.Add(d); w.now.Before(end); {
			w.now = w.now.Add(5 * time.Second)
			w.memory.Step(look(), w.given, w.now)
			for _, m := range w.memory.Tell(w.fleet, w.now) {
				w.told, w.toldAt = append(w.told, m), append(w.toldAt, w.now)
			}
		}
	}
	away := func() *alert.Found { return alert.DatabaseGone(w.fleet, gone) }
	back := func() *alert.Found { return alert.DatabaseBack(w.fleet) }
	step(55*time.Second, away) // shorter than that is nobody's business
	step(2*time.Minute, back)
	w.want()
	step(10*time.Minute, away)
	step(10*time.Minute, back)
	w.want("began database_away ", "over database_away ")
	if text := w.told[0].Text; !strings.Contains(text, "since 2026-11-25 12:00:00 UTC") || !strings.Contains(text, "Postgres") {
		t.Errorf("told:\n%s", text)
	}
}

// The times of a fleet file hold: at b-0-0 30 s and 10 s, elsewhere as usual.
func TestTimesOfTheFleetFileHold(t *testing.T) {
	file := strings.Replace(text(2, 2, ada), "bands: [10m]}", "bands: [10m], alert_limits: {gps_lost_seconds: 30, gps_back_seconds: 10}}", 1)
	w := newWorld(t, file)
	w.unplug("b-0-0")
	w.unplug("b-1-0")
	w.run(45 * time.Second)
	w.want("began gps_lost b-0-0")
	w.run(45 * time.Second)
	w.want("began gps_lost b-0-0", "began gps_lost b-1-0")
	w.plug("b-0-0")
	w.plug("b-1-0")
	w.run(30 * time.Second)
	w.want("began gps_lost b-0-0", "began gps_lost b-1-0", "over gps_lost b-0-0")
	usual, declared := w.fleet.Beacon("b-1-0").Limits, alert.Lookup(alert.GPSLost)
	if usual.GPSLost != declared.Raise || usual.GPSBack != declared.Clear {
		t.Errorf("the fleet's usual times are %v and %v, the list's %v and %v", usual.GPSLost, usual.GPSBack, declared.Raise, declared.Clear)
	}
}
