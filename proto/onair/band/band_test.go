package band

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The golden twin: every figure a second time, with what follows from it, so
// that a changed hertz shows in two places of a change.
func TestStandardGolden(t *testing.T) {
	var got strings.Builder
	fmt.Fprintln(&got, "name, dial MHz, window MHz, centre MHz")
	for _, b := range Standard().All() {
		fmt.Fprintf(&got, "%-5s  %10.6f  %10.6f-%10.6f  %10.6f\n", b.Name, mega(b.DialHz), mega(b.LowHz()), mega(b.HighHz()), b.CentreHz()/1e6)
	}
	want, err := os.ReadFile("testdata/standard.golden")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got.String()); diff != "" {
		t.Errorf("the table differs from its golden twin (-twin +table):\n%s", diff)
	}
}

func mega(hertz int64) float64 { return float64(hertz) / 1e6 }

// Dial frequencies in MHz of public amateur band tables (common practice, no
// source); 630 m from a national plan (Wireless Institute of Australia,
// September 2020: 474.2 kHz).
func TestStandardFrequencies(t *testing.T) {
	published := map[string]float64{
		"2200m": 0.136000, "630m": 0.474200, "160m": 1.836600, "80m": 3.568600, "60m": 5.287200,
		"40m": 7.038600, "30m": 10.138700, "20m": 14.095600, "17m": 18.104600, "15m": 21.094600,
		"12m": 24.924600, "10m": 28.124600, "6m": 50.293000, "4m": 70.091000, "2m": 144.489000,
	}
	if got := len(Standard().All()); got != len(published) {
		t.Errorf("%d bands, want %d", got, len(published))
	}
	for name, dial := range published {
		b, ok := Standard().Lookup(name)
		if !ok || math.Abs(mega(b.DialHz)-dial) > 1e-9 {
			t.Errorf("%s: %+v, want a dial of %v MHz", name, b, dial)
		}
		// 200 Hz about 1500 Hz above the dial.
		if b.LowHz() != b.DialHz+1400 || b.HighHz() != b.DialHz+1600 || b.CentreHz() != float64(b.LowHz()+b.HighHz())/2 {
			t.Errorf("%s: window %d-%d Hz about %v", name, b.LowHz(), b.HighHz(), b.CentreHz())
		}
	}
}

// IARU Region 1 band plan (16 Oct 2020) and the allocations that it stands on:
// each window lies in a segment where so narrow a signal may be.
func TestStandardWithinBandPlan(t *testing.T) {
	for name, segment := range map[string][2]int64{
		"2200m": {135700, 137800},
		"630m":  {472000, 479000},
		"160m":  {1838000, 1840000}, // 500 Hz
		"80m":   {3570000, 3580000}, // 200 Hz
		"40m":   {7040000, 7047000}, // 500 Hz
	} {
		if b, ok := Standard().Lookup(name); !ok || b.LowHz() < segment[0] || b.HighHz() > segment[1] {
			t.Errorf("%s: %d-%d Hz is not within %v", name, b.LowHz(), b.HighHz(), segment)
		}
	}
}

func TestWith(t *testing.T) {
	sixty := Band{Name: "60m", DialHz: 5364700, WindowHz: [2]int64{1400, 1600}}
	eight := Band{Name: "8m", DialHz: 40680000, WindowHz: [2]int64{1300, 1700}}
	table, err := Standard().With(sixty, eight)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []Band{sixty, eight} {
		if got, ok := table.Lookup(want.Name); !ok || got != want {
			t.Errorf("%s: %+v, want %+v", want.Name, got, want)
		}
	}
	if old, _ := Standard().Lookup("60m"); old.DialHz != 5287200 {
		t.Errorf("the standard table was changed: %+v", old)
	}
	bands := table.All()
	if len(bands) != len(Standard().All())+1 {
		t.Errorf("%d bands", len(bands))
	}
	for i := 1; i < len(bands); i++ {
		if bands[i-1].DialHz >= bands[i].DialHz {
			t.Errorf("%s comes before %s", bands[i-1].Name, bands[i].Name)
		}
	}
}

func TestWithRefuses(t *testing.T) {
	good := Band{Name: "40m", DialHz: 7038600, WindowHz: [2]int64{1400, 1600}}
	for _, c := range []struct {
		bands []Band
		want  string
	}{
		{[]Band{good, good}, "given twice"},
		{[]Band{{DialHz: 1, WindowHz: good.WindowHz}}, `band name ""`},
		{[]Band{{Name: "40 M", DialHz: 1, WindowHz: good.WindowHz}}, `band name "40 M"`},
		{[]Band{{Name: "a-name-of-17-char", DialHz: 1, WindowHz: good.WindowHz}}, "1 to 16"},
		{[]Band{{Name: "40m", DialHz: 0, WindowHz: good.WindowHz}}, "dial of 0 Hz"},
		{[]Band{{Name: "40m", DialHz: math.MaxInt64, WindowHz: good.WindowHz}}, "given in hertz"},
		{[]Band{{Name: "40m", DialHz: 7038600}}, "window of 0 to 0 Hz"},
		{[]Band{{Name: "40m", DialHz: 7038600, WindowHz: [2]int64{1600, 1400}}}, "must rise"},
		{[]Band{{Name: "40m", DialHz: 7038600, WindowHz: [2]int64{-1, 1400}}}, "window of -1"},
		{[]Band{{Name: "40m", DialHz: 7038600, WindowHz: [2]int64{0, 100001}}}, "within 0 to 100000"},
	} {
		if table, err := Standard().With(c.bands...); err == nil || !strings.Contains(err.Error(), c.want) || table != nil {
			t.Errorf("%+v: %v, want %q", c.bands, err, c.want)
		}
	}
}

func TestSuggest(t *testing.T) {
	for in, want := range map[string]string{
		"40m": "40m", "40M": "40m", "\t40 m ": "40m", "40": "40m", "41m": "40m", "45m": "40m", "75m": "80m",
		"2190m": "2200m", "600m": "630m", "m40": "", "4om": "40m", "40mm": "40m", "0m": "", "11m": "12m",
		"": "", "m": "", "xyz": "", "1000m": "", "23cm": "", strings.Repeat("4", 1<<20): "",
	} {
		if got := Standard().Suggest(in); got != want {
			t.Errorf("Suggest(%.20q) = %q, want %q", in, got, want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"40m 7038600 1400":            "line 1: 3 columns instead of 4",
		"# a\n\n40m 7.0386 1400 1600": `line 3: "7.0386" is not a whole number`,
		"40m 1 2 3\n40m 1 2 3":        "given twice",
	} {
		if _, err := parse(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(standardText)
	f.Add("40m 7038600 1400 1600 # x")
	f.Add("40m -7038600 1600 1400")
	f.Fuzz(func(t *testing.T, text string) {
		table, err := parse(text)
		if err != nil {
			return
		}
		for _, b := range table.All() {
			if got, ok := table.Lookup(b.Name); !ok || got != b || b.Check() != nil {
				t.Fatalf("%q: %+v, %+v", text, b, got)
			}
		}
	})
}

func FuzzSuggest(f *testing.F) {
	f.Add("4om")
	f.Add("\xff 99999m")
	f.Fuzz(func(t *testing.T, name string) {
		if s := Standard().Suggest(name); s != "" {
			if _, ok := Standard().Lookup(s); !ok {
				t.Fatalf("Suggest(%q) = %q, which is no band", name, s)
			}
		}
	})
}

func ExampleTable_With() {
	table, err := Standard().With(Band{Name: "60m", DialHz: 5364700, WindowHz: [2]int64{1400, 1600}})
	if err != nil {
		fmt.Println(err)
		return
	}
	b, _ := table.Lookup("60m")
	fmt.Println(b.LowHz(), b.HighHz(), table.Suggest("59m"))
	// Output: 5366100 5366300 60m
}
