package rollup

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var hour = time.Date(2026, 11, 23, 14, 0, 0, 0, time.UTC)

func pointer[T any](v T) *T { return &v }

// The five values and their percentiles are the customary example of the
// nearest-rank method in textbooks (from memory).
func TestPercentilesAreByNearestRank(t *testing.T) {
	h := NewHistogram([]int64{50, 15, 40, 20, 35})
	for p, want := range map[float64]int64{5: 15, 30: 20, 40: 20, 50: 35, 100: 50} {
		if got, ok := h.Percentile(p); !ok || got != want {
			t.Errorf("percentile %v is %d, want %d", p, got, want)
		}
	}
	if _, ok := (Histogram{}).Percentile(50); ok {
		t.Error("no samples have a median")
	}
}

func TestValuesAreRoundedUpToThreeDigits(t *testing.T) {
	for v, want := range map[int64]int64{0: 0, 7: 7, 999: 999, 1000: 1000, 1001: 1010, 123_456: 124_000, 999_001: 1_000_000, 1<<63 - 1: 1<<63 - 1} {
		if got := RoundUp(v); got != want {
			t.Errorf("%d is rounded to %d, want %d", v, got, want)
		}
	}
}

// However samples are cut into hours and merged, a percentile is that of all the
// samples together, rounded.
func TestMergingChangesNoPercentile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int64Range(0, 1<<40), 1, 300).Draw(t, "values")
		p := float64(rapid.IntRange(1, 100).Draw(t, "p"))
		cut := rapid.IntRange(0, len(values)).Draw(t, "cut")
		merged, added := NewHistogram(values[:cut]), NewHistogram(values[cut:])
		merged.Add(added)
		if diff := cmp.Diff(NewHistogram(values), merged); diff != "" {
			t.Fatal(diff)
		}
		if diff := cmp.Diff(NewHistogram(values[cut:]), added); diff != "" {
			t.Fatalf("what was added has changed: %s", diff)
		}
		sorted := slices.Sorted(slices.Values(values))
		rank := 0
		for float64(rank+1) < p/100*float64(len(values)) {
			rank++
		}
		want := RoundUp(sorted[rank])
		if got, _ := merged.Percentile(p); got != want {
			t.Fatalf("percentile %v is %d, want %d", p, got, want)
		}
		if merged.Count() != int64(len(values)) {
			t.Fatalf("%d values of %d", merged.Count(), len(values))
		}
	})
}

func TestAMinuteIsWhatAllItsSamplesSay(t *testing.T) {
	at := func(second int) time.Time { return hour.Add(time.Duration(second) * time.Second) }
	good, poor := pointer(int64(900_000)), pointer(int64(600_000_000))
	h := Roll("mill-hf", hour, []Sample{
		{At: at(-1), Lock: "locked", ClockErrorNs: good},
		{At: at(0), Lock: "locked", ClockErrorNs: good, FrequencyPpb: pointer(1.2345)},
		{At: at(59), Lock: "locked", ClockErrorNs: good},
		{At: at(60), Lock: "locked", ClockErrorNs: good, OnAir: true},
		{At: at(90), Lock: "holdover", ClockErrorNs: good},
		{At: at(120), Lock: "locked", ClockErrorNs: poor},
		{At: at(180), Lock: "locked"},
		{At: at(240)},
		{At: at(3599), Lock: "locked", ClockErrorNs: good},
		{At: at(3600), Lock: "locked", ClockErrorNs: good},
	}, []Slot{{"40m", "sent", "", 110 * time.Second}, {"20m", "skipped", "hushed", 0}, {"40m", "sent", "", 111 * time.Second}})
	want := Hour{
		Beacon: "mill-hf", Start: hour, Samples: 8,
		Heard: 0b11111 | 1<<59, Ready: 0b1 | 1<<59, Locked: 0b1101 | 1<<59, Holdover: 0b10, OnAir: 0b10,
		Clock: Histogram{{900_000, 5}, {600_000_000, 1}}, Worst: Worst{600_000_000, at(120)}, Frequency: Histogram{{1240, 1}},
		Slots: []SlotCount{{"20m", "skipped", "hushed", 1, 0}, {"40m", "sent", "", 2, 221 * time.Second}},
	}
	if diff := cmp.Diff(want, h); diff != "" {
		t.Error(diff)
	}
}

func TestAPeriodIsCutByTheMinute(t *testing.T) {
	for _, c := range []struct {
		name     string
		from, to time.Duration
		want     Minutes
	}{
		{"all", -time.Hour, 2 * time.Hour, AllMinutes},
		{"from half past", 30 * time.Minute, 2 * time.Hour, AllMinutes &^ (1<<30 - 1)},
		{"until a quarter past", -time.Hour, 15 * time.Minute, 1<<15 - 1},
		{"within a minute", 61 * time.Second, 119 * time.Second, 0},
		{"nothing", 0, 0, 0},
		{"before", -2 * time.Hour, 0, 0},
		{"after", time.Hour, 2 * time.Hour, 0},
	} {
		if got := Between(hour, hour.Add(c.from), hour.Add(c.to)); got != c.want {
			t.Errorf("%s: %060b, want %060b", c.name, got, c.want)
		}
	}
}

func TestADayIsTheSumOfItsHours(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	day := Day{Beacon: "mill-hf", Day: hour.Truncate(24 * time.Hour)}
	var all []int64
	minutes := map[time.Time]bool{}
	for n := range 24 {
		start := day.Day.Add(time.Duration(n) * time.Hour)
		var samples []Sample
		for range random.IntN(200) {
			s := Sample{At: start.Add(time.Duration(random.Int64N(int64(time.Hour)))), Lock: "locked", ClockErrorNs: pointer(random.Int64N(1e9))}
			samples, all, minutes[s.At.Truncate(time.Minute)] = append(samples, s), append(all, *s.ClockErrorNs), true
		}
		day.Add(Roll("mill-hf", start, samples, []Slot{{Band: "40m", Ending: "sent", Keyed: time.Second}}))
	}
	if day.Samples != len(all) || day.Heard != len(minutes) || day.Worst.Ns != slices.Max(all) {
		t.Errorf("%d samples in %d minutes, the worst %d; want %d, %d, %d", day.Samples, day.Heard, day.Worst.Ns, len(all), len(minutes), slices.Max(all))
	}
	if diff := cmp.Diff(NewHistogram(all), day.Clock); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]SlotCount{{"40m", "sent", "", 24, 24 * time.Second}}, day.Slots); diff != "" {
		t.Error(diff)
	}
}
