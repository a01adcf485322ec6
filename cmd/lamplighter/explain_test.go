package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// crowd is a site with one transmitter for so many beacons, each with a share.
func crowd(share string, beacons ...string) string {
	var text strings.Builder
	text.WriteString("network: {name: Crowd}\nsites:\n  - {name: hill, locator: IP62oa}\nbeacons:\n")
	for i, name := range beacons {
		text.WriteString("  - {name: " + name + ", callsign: Q1AA" + string(rune('A'+i)) + ", site: hill, control: automatic, power_dbm: 23, share: " + share + ", bands: [40m]}\n")
	}
	return text.String()
}

var wholeDay = []string{"--from", "2026-12-01T00:00:00Z", "--to", "2026-12-02T00:00:00Z"}

// TestExplain: three that want half of a day's 720 slots get a third of them
// each. Only the site's one transmitter keeps the one with a band of its own
// from the other 480; those that share a band could not use it at once either.
func TestExplain(t *testing.T) {
	text := crowd("0.5", "ann", "cat", "bea")
	last := strings.LastIndex(text, "40m")
	fleetFile := write(t, "fleet.yaml", text[:last]+"30m"+text[last+len("40m"):])
	planFile := filepath.Join(t.TempDir(), "plan.json")
	got := lamplighter(t, append([]string{"plan", fleetFile, "--explain", "bea", "-o", planFile}, wholeDay...)...)
	if got.code != 0 || !strings.Contains(got.stderr, "3 shortfalls") {
		t.Errorf("exit %d, said %q", got.code, got.stderr)
	}
	golden(t, "explain.txt", got.stdout)
	for _, figures := range []string{"720 slots, wants 360 and gets 240 (66.7 %)", "one transmitter at once, shared by 3 beacons", "in the way in 480 slots; if only this were lifted, 480 of them would be free", "ann wants 360 and gets 240"} {
		if !strings.Contains(got.stdout, figures) {
			t.Errorf("%q is not in:\n%s", figures, got.stdout)
		}
	}
	written, err := os.ReadFile(planFile)
	if err != nil {
		t.Fatal(err)
	}
	if plain := lamplighter(t, append([]string{"plan", fleetFile}, wholeDay...)...); plain.stdout != string(written) {
		t.Error("the plan is another one when it is explained")
	}
	alone := lamplighter(t, append([]string{"plan", fleetFile, "--explain", "bea"}, wholeDay...)...)
	if alone.stdout != got.stdout || strings.Contains(alone.stderr, "shortfalls") {
		t.Errorf("without a file for the plan it printed %q, said %q", alone.stdout, alone.stderr)
	}
	both := lamplighter(t, append([]string{"plan", fleetFile, "--explain", "ann"}, wholeDay...)...)
	for _, figures := range []string{"in 480 slots; if only this were lifted, 240 of them", "never use one band at once. It stands in the way in 240 slots; if only this were lifted, none of them"} {
		if !strings.Contains(both.stdout, figures) {
			t.Errorf("%q is not in:\n%s", figures, both.stdout)
		}
	}
	unknown := lamplighter(t, append([]string{"plan", fleetFile, "--explain", "dan"}, wholeDay...)...)
	if unknown.code != 1 || unknown.stdout != "" || !strings.Contains(unknown.stderr, `no beacon "dan"`) {
		t.Errorf("an unknown beacon: exit %d, printed %q, said %q", unknown.code, unknown.stdout, unknown.stderr)
	}
}

func TestExplainWhereNothingIsShort(t *testing.T) {
	for text, want := range map[string]string{
		crowd("0.2", "ann", "bea"):               "wants 144 and gets 144 (100.0 %).\nNothing is short",
		crowd("0.2, paused: true", "ann", "bea"): "in 0 slots, wants 0 and gets 0.\nIt has no slot that it may use.",
	} {
		got := lamplighter(t, append([]string{"plan", write(t, "fleet.yaml", text), "--explain", "ann"}, wholeDay...)...)
		if got.code != 0 || !strings.Contains(got.stdout, want) {
			t.Errorf("exit %d, printed %q, want %q; said %q", got.code, got.stdout, want, got.stderr)
		}
	}
}
