package plan

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// TestJain uses the values that follow from the formula of DEC TR-301 (1984).
func TestJain(t *testing.T) {
	for _, tt := range []struct {
		values []float64
		want   float64
	}{
		{[]float64{1, 2, 3, 4}, 0.833333},
		{[]float64{50, 30, 50}, 0.954802},
		{[]float64{10, 10, 10, 10, 10, 10, 10, 10, 10, 0}, 0.9},
		{[]float64{7, 7, 7}, 1},
		{[]float64{5, 0, 0, 0}, 0.25},
		{[]float64{0, 0}, 1}, // undefined by the formula; ours to state
		{nil, 1},
	} {
		if got := Jain(tt.values); math.Abs(got-tt.want) > 5e-7 {
			t.Errorf("%v: %v, want %v", tt.values, got, tt.want)
		}
	}
}

// bandsByTurn is a plan in which a beacon takes its bands in the given order,
// one slot after the other.
func bandsByTurn(order string, names []string) string {
	centre := map[string]string{"40m": "7040100", "20m": "14097100", "30m": "10140200", "17m": "18106100", "15m": "21096100"}
	var lines strings.Builder
	for i, turn := range order {
		name := names[turn-'0']
		fmt.Fprintf(&lines, "%02d:%02d one %s %s\n", i/30, i%30*2, name, centre[name])
	}
	return lines.String()
}

// TestBandDeviation uses the published rule's sequences ("The chairman assignment
// problem", 1980) and their largest deviations.
func TestBandDeviation(t *testing.T) {
	names := []string{"40m", "20m", "30m", "17m", "15m"}
	for _, tt := range []struct {
		weights []int
		order   string
		want    float64
	}{
		{[]int{5, 3, 2}, "0102010210", 0.6},
		{[]int{3, 1}, "0010", 0.5},
		{[]int{1, 1, 1, 1, 1}, "01234", 0.8},
		{[]int{1, 1}, "0000", 2},
	} {
		var bands []string
		for i, w := range tt.weights {
			bands = append(bands, fmt.Sprintf("{name: %s, weight: %d}", names[i], w))
		}
		f := mustFleet(t, far("", ", share: 1, bands: ["+strings.Join(bands, ", ")+"]", free))
		got := Measure(f, planOf(t, f, bandsByTurn(tt.order, names)), Extra{})
		if math.Abs(got.BandDeviation-tt.want) > 1e-9 || got.Beacons[0].BandDeviation != got.BandDeviation {
			t.Errorf("%v as %s: %v, want %v", tt.weights, tt.order, got.BandDeviation, tt.want)
		}
	}
}

// TestBandDeviationCountsOpenBands: at night a day band takes no share.
func TestBandDeviationCountsOpenBands(t *testing.T) {
	f := mustFleet(t, far("", ", share: 1, bands: [40m, {name: 20m, sun: day}]", free))
	if got := Measure(f, planOf(t, f, "00:00 one 40m 7040100\n00:02 one 40m 7040100\n00:04 one 40m 7040100"), Extra{}); got.BandDeviation != 0 {
		t.Errorf("three nightly turns on the only open band: %v", got.BandDeviation)
	}
	if got := Measure(f, planOf(t, f, "12:00 one 40m 7040100\n12:02 one 40m 7040100\n12:04 one 40m 7040100"), Extra{}); got.BandDeviation != 1.5 {
		t.Errorf("three daily turns on one of two: %v", got.BandDeviation)
	}
}

// TestAirtimeDeviation: two turns in ten slots, at a rate of 0.2.
func TestAirtimeDeviation(t *testing.T) {
	f := mustFleet(t, far("", free, free)+"pauses: [{scope: {site: here}, from: 2026-12-01T00:10:00Z, to: 2026-12-01T01:10:00Z}]")
	for _, tt := range []struct {
		plan string
		want float64
	}{
		{"00:04 one 40m 7040100\n01:14 one 40m 7040100", 0.4}, // slots 2 and 7: before 0.4, after 1 − 0.6; before 1.4 − 1
		{"00:00 one 40m 7040100\n00:02 one 40m 7040100", 1.6},
		{"01:16 one 40m 7040100\n01:18 one 40m 7040100", 1.6}, // slots 8 and 9 of the open ones
	} {
		p := planOf(t, f, tt.plan)
		p.To = midnight.Add(80 * time.Minute) // 40 slots, 30 of them paused
		got := Measure(f, p, Extra{})
		if math.Abs(got.Beacons[0].AirtimeDeviation-tt.want) > 1e-9 {
			t.Errorf("%s: %v, want %v", tt.plan, got.Beacons[0].AirtimeDeviation, tt.want)
		}
	}
}

func TestFiguresOfAirtime(t *testing.T) {
	f := mustFleet(t, far("", ", share: 0.01, bands: [40m]", ", share: 0.02, priority: 2, bands: [40m]"))
	p := planOf(t, f, "00:00 one 40m 7040100\n00:02 two 40m 7040100\n00:04 two 40m 7040100")
	got := Measure(f, p, Extra{})
	// Demands 7 and 14; x = 1/7 and 2/(14·2) = 1/14: J = (3/14)²/(2·5/196) = 0.9.
	if got.Wanted != 21 || got.Granted != 3 || math.Abs(got.Jain-0.9) > 1e-9 || got.Churn != nil {
		t.Errorf("%+v", got)
	}
	// With 720 slots of history in which two got 6 of its 14, and one all of 7:
	// x = 8/14 and 8/(28·2) = 1/7: J = (5/7)²/(2·(16+1)/49) = 25/34.
	var lines strings.Builder
	for i := range 7 {
		fmt.Fprintf(&lines, "-0%d:00 one 40m 7040100\n", i)
		if i < 6 {
			fmt.Fprintf(&lines, "-0%d:02 two 40m 7040100\n", i)
		}
	}
	got = Measure(f, p, Extra{History: historyOf(t, f, lines.String())})
	if math.Abs(got.Jain-25.0/34) > 1e-9 {
		t.Errorf("with history: %v, want %v", got.Jain, 25.0/34)
	}
}

func TestSpread(t *testing.T) {
	f := mustFleet(t, far("", ", share: 1, bands: [40m]", free))
	var steady, varied strings.Builder
	for h := range 24 {
		fmt.Fprintf(&steady, "%02d:00 one 40m 7040100\n", h)
		fmt.Fprintf(&varied, "%02d:%02d one 40m %d\n", h, h*2, 7040020+h*5)
	}
	for name, tt := range map[string]struct {
		plan string
		want Spread
	}{
		"steady":   {steady.String(), Spread{24, 24, 24, 1, 23, 0}},
		"varied":   {varied.String(), Spread{24, 24, 24, 24, 23, 23}},
		"one hour": {bandsByTurn(strings.Repeat("0", 30), []string{"40m"}), Spread{24, 1, 30, 30, 29, 0}},
		"too few":  {"00:00 one 40m 7040100\n05:00 one 40m 7040100", Spread{0, 0, 2, 1, 1, 0}},
		"none":     {"", Spread{}},
	} {
		if got := Measure(f, planOf(t, f, tt.plan), Extra{}).Spread; got != tt.want {
			t.Errorf("%s: %+v, want %+v", name, got, tt.want)
		}
	}
}

func TestChurn(t *testing.T) {
	f := mustFleet(t, far("", free, free)+"pauses: [{scope: {site: there}, from: 2026-12-01T01:00:00Z, to: 2026-12-01T02:00:00Z}]")
	// Not counted: a beacon that is gone, a slot now paused, a band now foreign.
	const gone = "00:30 six 40m 7040100\n01:00 two 40m 7040100\n01:02 one 17m 18106100\n"
	previous := planOf(t, f, "00:00 one 40m 7040100\n00:02 one 20m 14097100\n00:04 two 40m 7040100\n00:06 two 40m 7040100\n"+gone)
	for plan, want := range map[string]float64{
		"00:00 one 40m 7040100\n00:02 one 20m 14097100\n00:04 two 40m 7040100\n00:06 two 40m 7040100": 0,
		"00:00 one 40m 7040100\n00:02 one 20m 14097100\n00:04 two 40m 7040100":                        0.25,
		"00:00 one 40m 7040101\n00:02 one 40m 7040100\n00:04 two 40m 7040100\n00:08 two 40m 7040100":  0.75,
		"00:00 one 40m 7040100 extended\n00:02 one 20m 14097100\n00:04 two 40m 7040100":               0.5,
		"": 1,
	} {
		got := Measure(f, planOf(t, f, plan), Extra{Previous: previous})
		if got.Churn == nil || *got.Churn != want {
			t.Errorf("%q: %v, want %v", plan, got.Churn, want)
		}
	}
}

// TestDemand: floor(min(share, 1/(rest+1)) · open), and with history the
// difference of the two floors, so that a small share gets its turn.
func TestDemand(t *testing.T) {
	f := mustFleet(t, far("", ", share: 0.07, bands: [40m]", ", share: 0.9, rest: 2, bands: [40m]"))
	for open, want := range map[int64][2]int64{0: {0, 0}, 14: {0, 4}, 15: {1, 5}, 100: {7, 33}, 720: {50, 240}} {
		if Demand(f.Beacons[0], open) != want[0] || Demand(f.Beacons[1], open) != want[1] {
			t.Errorf("%d open: %d and %d, want %v", open, Demand(f.Beacons[0], open), Demand(f.Beacons[1], open), want)
		}
	}
	total := int64(0)
	for hour := range int64(24) {
		total += DemandSince(f.Beacons[0], hour*30, 30)
	}
	if total != 50 {
		t.Errorf("24 plans of an hour add up to %d of a day's 50", total)
	}
	p, history := planOf(t, f, ""), historyOf(t, f, "-00:00 one 40m 7040100")
	if w := Wants(f, p, history)[0]; w != (Want{720, 720, 50, 50}) {
		t.Errorf("%+v", w)
	}
}
