package fleet

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestReadGolden reads every file of testdata and compares all that is said
// about it: findings, or else warnings and what the fleet means.
func TestReadGolden(t *testing.T) {
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(files) < 5 {
		t.Fatalf("test data is missing: %v %v", files, err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got := describe(Read(filepath.Base(file), text))
			golden := strings.TrimSuffix(file, ".yaml") + ".golden"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("differs from %s (-want +got):\n%s", golden, diff)
			}
		})
	}
}

func describe(f *Fleet, err error) string {
	var findings Findings
	if errors.As(err, &findings) {
		return findings.Error() + "\n"
	}
	var out strings.Builder
	fmt.Fprintln(&out, f.Warnings.Error())
	for _, thing := range f.things() {
		fmt.Fprintln(&out, thing.name)
		for _, fact := range thing.facts {
			fmt.Fprintf(&out, "  %s: %s\n", fact.key, fact.value)
		}
	}
	return out.String()
}

// minimal is a small right fleet file; the tests change one thing in it.
const minimal = `
network: {name: Little Net}
sites:
  - {name: a, locator: JO62qm, time_zone: Europe/Berlin}
  - {name: b, locator: FN42ax, time_zone: America/New_York}
beacons:
  - {name: one, callsign: Q1ABC, site: a, control: local, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [40m, 20m]}
  - {name: two, callsign: Q2ABC, site: b, control: local, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [{name: 40m}]}
`

func mustRead(t testing.TB, text string) *Fleet {
	t.Helper()
	f, err := Read("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestDefaults(t *testing.T) {
	f := mustRead(t, minimal)
	if len(f.Warnings) != 0 {
		t.Errorf("warnings: %v", f.Warnings)
	}
	n := f.Network
	if n.ID != "little-net" || n.Slot != 120 || n.Near.Default != Whole(30) || n.MaxSignalsPerBand != 8 || n.Guard != Whole(2) {
		t.Errorf("network defaults: %+v", n)
	}
	s := f.Site("a")
	if s.TransmittersAtOnce != 1 || !s.Quiet.IsZero() || s.NotTogether != nil || s.Listen != nil {
		t.Errorf("site defaults: %+v", s)
	}
	b := f.Beacon("one")
	if b.Announce != 4 || b.Rest != 0 || b.MaxIn30Min != 0 || b.Paused || b.Priority != Whole(1) {
		t.Errorf("beacon defaults: %+v", b)
	}
	use, _ := b.Use("20m")
	if use.Weight != Whole(1) || use.Sun != AnyTime || use.Drive != 100 || use.PowerDBm != 23 || use.Control != Local {
		t.Errorf("band defaults: %+v", use)
	}
	if f.Site("c") != nil || f.Beacon("three") != nil {
		t.Error("found what is not there")
	}
}

// TestOneFinding: a single change to a right file gives one finding at its place.
func TestOneFinding(t *testing.T) {
	tests := []struct{ old, new, want string }{
		{"site: b,", "site: d,", `8:40: there is no site "d" in this file`},
		{"control: local, power_dbm: 23, share: 0.2, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [{name: 40m}]", "power_dbm: 23, share: 0.2, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [{name: 40m}]", `8:131: nothing says who can stop the transmitter on 40m: give the beacon or this band control: local, remote or automatic`},
		{"callsign: Q2ABC", "callsign: Q2ABC, announce: 6", ""},
		{"locator: FN42ax", "locator: FN42", ""},
		{"name: two, callsign: Q2ABC", "name: one, callsign: Q2ABC", `8:12: name "one" is taken by another beacon: give each its own`},
		{"Europe/Berlin", "Europe/Berln", `4:43: there is no time zone "Europe/Berln"; did you mean Europe/Berlin?`},
		{"share: 0.2, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [{", "share: 0.2000000001, uncertainty_ppm: 0.01, licence: {max_power_dbm: 30}, bands: [{", `8:81: share must be a number from 0 to 1: "0.2000000001" has too many digits: at most 9 before and 9 after the point`},
		{"bands: [{name: 40m}]", "bands: [{name: 40m, power_dbm: 33}]", "8:6: beacon two sends 33 dBm, but its licence allows at most 30 dBm: lower power_dbm or state max_power_dbm"},
	}
	for _, tt := range tests {
		if strings.Count(minimal, tt.old) != 1 {
			t.Fatalf("%q stands there %d times", tt.old, strings.Count(minimal, tt.old))
		}
		_, err := Read("f", []byte(strings.Replace(minimal, tt.old, tt.new, 1)))
		switch {
		case tt.want == "" && err != nil:
			t.Errorf("%s: %v", tt.new, err)
		case tt.want != "" && (err == nil || err.Error() != "f:"+tt.want):
			t.Errorf("%s:\n got %v\nwant f:%s", tt.new, err, tt.want)
		}
	}
}

func TestSixCharactersNeedThem(t *testing.T) {
	text := strings.Replace(minimal, "FN42ax", "FN42", 1)
	for _, change := range [][2]string{{"callsign: Q2ABC", "callsign: Q2ABC/P"}, {"callsign: Q2ABC", "callsign: Q2ABC, announce: 6"}} {
		_, err := Read("f", []byte(strings.Replace(text, change[0], change[1], 1)))
		if err == nil || !strings.Contains(err.Error(), "give the site's locator with six characters") {
			t.Errorf("%s: %v", change[1], err)
		}
	}
}

// TestLimits: input that no fleet needs is refused quickly, whatever it holds.
func TestLimits(t *testing.T) {
	for name, text := range map[string]string{
		"too large":          strings.Repeat("#", largestFile+1),
		"not text":           "network: \xff",
		"many brackets":      strings.Repeat("[", 100_000),
		"many dashes":        strings.Repeat("- ", 100_000),
		"many maps in lines": "a: " + strings.Repeat("\n- ? ", 20) + strings.Repeat("? ", 1000),
		"deep by columns":    deepByColumns(3000),
		"alias laughs":       laughs(),
		"many findings":      minimal + strings.Repeat("  - {}\n", 2000),
	} {
		began := time.Now()
		f, err := Read(name, []byte(text))
		if err == nil {
			t.Errorf("%s: accepted: %v", name, f)
			continue
		}
		var findings Findings
		if !errors.As(err, &findings) || len(findings) > mostFindings+1 {
			t.Errorf("%s: %T with %d findings", name, err, len(findings))
		}
		t.Logf("%s: refused after %v", name, time.Since(began).Round(time.Millisecond))
	}
}

func deepByColumns(levels int) string {
	var b strings.Builder
	for i := range levels {
		b.WriteString(strings.Repeat(" ", i) + "-\n")
	}
	return b.String()
}

func laughs() string {
	text := "network: {name: x}\nx0: &x0 [a, a, a, a, a, a, a, a, a]\n"
	for i := range 9 {
		text += fmt.Sprintf("x%d: &x%d [%s]\n", i+1, i+1, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*x%d, ", i), 9), ", "))
	}
	return text + "sites: *x9\nbeacons: *x9\n"
}

func TestJSONIsRead(t *testing.T) {
	f := mustRead(t, `{"network": {"name": "J"}, "sites": [{"name": "a", "locator": "JO62"}],
"beacons": [{"name": "one", "callsign": "Q1ABC", "site": "a", "control": "local", "power_dbm": 23, "share": 0.07, "bands": ["20m"]}]}`)
	if f.Beacon("one").Share != Ratio(7, 100) {
		t.Error("share is not exactly 7/100")
	}
}

func FuzzRead(f *testing.F) {
	files, _ := filepath.Glob("testdata/*.yaml")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte(minimal))
	f.Fuzz(func(t *testing.T, text []byte) {
		fleet, err := Read("fuzz", text)
		if err == nil {
			if fleet.Digest() != mustRead(t, string(text)).Digest() {
				t.Error("read twice, two meanings")
			}
			fleet.Openings(14_000_000, 14_000_720)
			return
		}
		var findings Findings
		if !errors.As(err, &findings) || len(findings) == 0 {
			t.Fatalf("not findings: %v", err)
		}
		if !slices.IsSortedFunc(findings, func(a, b Finding) int { return a.Line - b.Line }) {
			t.Error("findings are not in the order of the file")
		}
	})
}

// TestWarnings: what is allowed but deserves a look, beside what the golden
// files show.
func TestWarnings(t *testing.T) {
	for _, tt := range []struct{ old, new, want string }{
		{"name: Little Net", "name: Little Net, slot_seconds: 10", "test.yaml:2:43: slot_seconds 10 is for trials: no receiver understands slots other than 120 s"},
		{"bands: [40m, 20m]", "bands: [40m, 20m], filters: [{name: lp, passes: [40m], fitted: relay}]", "test.yaml:7:152: beacon one can't use 20m: no fitted filter passes it"},
	} {
		if got := mustRead(t, strings.Replace(minimal, tt.old, tt.new, 1)).Warnings.Error(); got != tt.want {
			t.Errorf("%s:\n got %s\nwant %s", tt.new, got, tt.want)
		}
	}
	f := mustRead(t, minimal+"pauses: [{scope: {beacon: two, band: 20m}, from: 2026-12-01T00:00:00Z, to: 2026-12-02T00:00:00Z}]\n")
	if len(f.Warnings) != 1 || !strings.Contains(f.Warnings[0].Sentence, "does not use 20m, so this pause changes nothing") {
		t.Errorf("%v", f.Warnings)
	}
}
