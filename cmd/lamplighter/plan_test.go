package main

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"lamplighter/cmd/lamplighter/demo"
)

// write writes a file into a folder of the test and returns its name.
func write(t *testing.T, name, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestPlanAndCheckAgree(t *testing.T) {
	fleetFile := write(t, "fleet.yaml", demo.Fleet(0))
	planFile := filepath.Join(t.TempDir(), "plan.json")
	hours := []string{"--from", "2026-12-01T00:00:00Z", "--to", "2026-12-01T06:00:00+00:00"}
	made := lamplighter(t, append([]string{"plan", fleetFile, "-o", planFile}, hours...)...)
	if made.code != 0 || made.stdout != "" {
		t.Fatalf("exit %d, printed %q, said %q", made.code, made.stdout, made.stderr)
	}
	if strings.Contains(made.stderr, "\r") {
		t.Error("progress was shown in a pipe")
	}
	written, err := os.ReadFile(planFile)
	if err != nil {
		t.Fatal(err)
	}
	if again := lamplighter(t, append([]string{"plan", fleetFile}, hours...)...); again.stdout != string(written) {
		t.Error("the same files and times gave another plan")
	}
	if got := lamplighter(t, "check", fleetFile, planFile); got.code != 0 || got.stdout != "" {
		t.Errorf("check: exit %d, printed %q, said %q", got.code, got.stdout, got.stderr)
	}
	if got := lamplighter(t, "check", fleetFile, planFile, "--output", "json"); got.code != 0 || got.stdout != "[]\n" {
		t.Errorf("check as JSON: exit %d, printed %q", got.code, got.stdout)
	}
	got := lamplighter(t, "check", fleetFile, planFile, "--figures")
	var figures struct {
		Violations []any          `json:"violations"`
		Figures    map[string]any `json:"figures"`
	}
	if err := json.Unmarshal([]byte(got.stdout), &figures); err != nil || got.code != 0 || len(figures.Violations) != 0 || figures.Figures["wanted"].(float64) <= 0 {
		t.Errorf("check --figures: exit %d, %v, printed %.300q", got.code, err, got.stdout)
	}
}

func TestPlanningStopsWhenItIsTold(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	got := lamplighterUntil(ctx, "plan", write(t, "fleet.yaml", demo.Fleet(0)), "--from", "2026-12-01T00:00:00Z", "--to", "2026-12-02T00:00:00Z")
	if got.code != 1 || got.stdout != "" || !strings.Contains(got.stderr, "stopped before it was done") {
		t.Errorf("exit %d, printed %d bytes, said %q", got.code, len(got.stdout), got.stderr)
	}
}

func TestCheckFindsWhatIsWrong(t *testing.T) {
	fleetFile := write(t, "fleet.yaml", demo.Fleet(0))
	planFile := write(t, "plan.json", `{"network": "Tern Valley Schools", "from": "2026-12-01T00:00:00Z", "to": "2026-12-01T00:01:00Z", "slot_seconds": 30,
 "transmissions": [
  {"start": "2026-12-01T00:00:00Z", "beacon": "mill-a", "band": "40m", "frequency_hz": 7040100},
  {"start": "2026-12-01T00:00:00Z", "beacon": "mill-c", "band": "15m", "frequency_hz": 21096100}],
 "shortfalls": []}`)
	for form, want := range map[string]string{"table": "transmitters_at_once", "csv": "rule,start,beacons,violation\n", "json": `"rule": "transmitters_at_once"`} {
		got := lamplighter(t, "check", fleetFile, planFile, "--output", form)
		if got.code != 1 || !strings.Contains(got.stdout, want) || !strings.Contains(got.stderr, "breaks rules") {
			t.Errorf("as %s: exit %d, printed %q, said %q", form, got.code, got.stdout, got.stderr)
		}
	}
}

func TestWrongFilesAreToldWithTheirPlace(t *testing.T) {
	fleetFile := write(t, "fleet.yaml", strings.Replace(demo.Fleet(0), "site: mill,", "site: mil,", 1))
	got := lamplighter(t, "plan", fleetFile, "--from", "2026-12-01T00:00:00Z", "--to", "2026-12-02T00:00:00Z")
	if got.code != 1 || !strings.Contains(got.stderr, "fleet.yaml:") || !strings.Contains(got.stderr, "mil") {
		t.Errorf("a wrong fleet: exit %d, said %q", got.code, got.stderr)
	}
	got = lamplighter(t, "check", write(t, "fleet.yaml", demo.Fleet(0)), write(t, "plan.json", "{\n\"network\": 7}"))
	if got.code != 1 || !strings.Contains(got.stderr, "plan.json: plan: line 2") {
		t.Errorf("a wrong plan: exit %d, said %q", got.code, got.stderr)
	}
}

func TestBashCompletes(t *testing.T) {
	script := write(t, "lamplighter.bash", lamplighter(t, "completion", "bash").stdout)
	for line, want := range map[string]string{
		"lamplighter rel":                  "release",
		"lamplighter fleet sh":             "show",
		"lamplighter fleet apply --ba":     "--based-on",
		"lamplighter status --output j":    "",
		"lamplighter hush --site x --reas": "--reason",
	} {
		command := exec.Command("bash", "-c", `source "$1"; COMP_WORDS=($2); COMP_CWORD=$((${#COMP_WORDS[@]}-1)); _lamplighter; echo "${COMPREPLY[*]}"`, "bash", script, line)
		command.Dir = t.TempDir()
		out, err := command.CombinedOutput()
		if err != nil || strings.TrimSpace(string(out)) != want {
			t.Errorf("%s: completed with %q, %v; want %q", line, out, err, want)
		}
	}
}

func TestCompletionForOtherShells(t *testing.T) {
	for _, shell := range []string{"zsh", "fish"} {
		golden(t, "completion."+shell, lamplighter(t, "completion", shell).stdout)
	}
}
