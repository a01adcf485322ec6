package main

import (
	"encoding/json"
	"strings"
	"testing"

	"lamplighter/coordinator/plan"
)

// sent is a plan file in which ann and bea transmit in slots of ten.
func sent(from, to string, starts ...string) string {
	lines := make([]string, len(starts))
	for i, start := range starts {
		at, beacon, _ := strings.Cut(start, " ")
		lines[i] = `{"start": "2026-12-01T` + at + `:00Z", "beacon": "` + beacon + `", "band": "40m", "frequency_hz": 7040100}`
	}
	return `{"network": "Crowd", "from": "2026-12-01T` + from + `:00Z", "to": "2026-12-01T` + to + `:00Z", "slot_seconds": 120,
"transmissions": [` + strings.Join(lines, ",\n") + `],
"shortfalls": [{"beacon": "ann", "wanted": 5, "granted": 4, "reason": "x"}, {"beacon": "bea", "wanted": 5, "granted": 2, "reason": "x"}]}`
}

// TestFairness holds the figures against some worked out by hand. Two want five
// of ten slots; ann has the slots 0, 2, 4 and 6 and is at most 4 - 0.4·7 = 1.2
// ahead, bea has 1 and 7 and is at most 2 - 0.2·8 = 0.4 or 1 - 0.2·2 = 0.6
// ahead. Jain's index, by the formula of DEC TR-301 (1984), is
// (0.8+0.4)² / (2·(0.8²+0.4²)) = 0.9; with a history in which ann had one of
// her five and bea all, (0.5+0.7)² / (2·(0.5²+0.7²)) = 0.972973.
func TestFairness(t *testing.T) {
	fleetFile := write(t, "fleet.yaml", crowd("0.5", "ann", "bea"))
	planFile := write(t, "plan.json", sent("12:00", "12:20", "12:00 ann", "12:02 bea", "12:04 ann", "12:08 ann", "12:12 ann", "12:14 bea"))
	history := write(t, "history.json", sent("11:40", "12:00", "11:40 bea", "11:42 ann", "11:44 bea", "11:48 bea", "11:52 bea", "11:56 bea"))

	got := lamplighter(t, "fairness", fleetFile, planFile)
	if got.code != 0 {
		t.Errorf("exit %d, said %q", got.code, got.stderr)
	}
	golden(t, "fairness.txt", got.stdout)
	got = lamplighter(t, "fairness", fleetFile, planFile, "--output", "csv")
	golden(t, "fairness.csv", got.stdout)
	want := []string{"ann,10,5,4,1.200,", "bea,10,5,2,0.600,", ",,10,6,1.200,0.000,0.900000,"}
	for _, line := range want {
		if !strings.Contains(got.stdout, "\n"+line) {
			t.Errorf("no line begins with %s:\n%s", line, got.stdout)
		}
	}
	got = lamplighter(t, "fairness", fleetFile, planFile, "--history", history, "--output", "json")
	var figures plan.Figures
	if err := json.Unmarshal([]byte(got.stdout), &figures); err != nil || got.code != 0 {
		t.Fatalf("exit %d, %v, said %q", got.code, err, got.stderr)
	}
	if jain := decimal(figures.Jain, 6); jain != "0.972973" {
		t.Errorf("with a history Jain's index is %s", jain)
	}
}

func TestFairnessTellsWhenThePlanIsNotOfTheFleet(t *testing.T) {
	fleetFile := write(t, "fleet.yaml", crowd("0.5", "ann", "bea"))
	other := strings.Replace(sent("12:00", "12:20"), "Crowd", "Others", 1)
	got := lamplighter(t, "fairness", fleetFile, write(t, "plan.json", other))
	if got.code != 1 || got.stdout != "" || !strings.Contains(got.stderr, `"Others"`) {
		t.Errorf("another network: exit %d, printed %q, said %q", got.code, got.stdout, got.stderr)
	}
	got = lamplighter(t, "fairness", fleetFile, write(t, "plan.json", sent("12:00", "12:20", "12:00 ann", "12:00 bea")))
	if got.code != 0 || !strings.Contains(got.stderr, "breaks rules") {
		t.Errorf("a wrong plan: exit %d, said %q", got.code, got.stderr)
	}
}
