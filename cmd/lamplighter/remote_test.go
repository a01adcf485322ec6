package main

import (
	"encoding/json"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lamplighter/cmd/lamplighter/demo"
	"lamplighter/coordinator/app"
	"lamplighter/coordinator/store/storetest"
	"lamplighter/proto/setup"
)

// coordinator starts one with the demo's fleet and gives the flag that names it.
func coordinator(t *testing.T, yaml string) string {
	t.Helper()
	options := app.Options{
		Open: true,
		Dir:  t.TempDir(), Database: storetest.URL(t), GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0",
		Log: slog.New(slog.DiscardHandler),
	}
	if yaml != "" {
		options.Fleet = &app.FleetFile{Name: "fleet.yaml", YAML: yaml}
	}
	a, err := app.New(options)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Stop)
	return "--server=" + a.Addr().GRPC
}

func TestFleetFilesTravelThroughTheCoordinator(t *testing.T) {
	server := coordinator(t, "")
	if got := lamplighter(t, "fleet", "show", server); got.code != 1 || !strings.Contains(got.stderr, "no fleet file is in force yet") {
		t.Errorf("show before the first: exit %d, said %q", got.code, got.stderr)
	}
	if got := lamplighter(t, "status", server, "--output", "json"); got.code != 0 || got.stdout != "[]\n" || !strings.Contains(got.stderr, "no beacons before a fleet file") {
		t.Errorf("status before the first: exit %d, printed %q, said %q", got.code, got.stdout, got.stderr)
	}
	file := write(t, "fleet.yaml", demo.Fleet(0))
	if got := lamplighter(t, "fleet", "apply", server, file); got.code != 0 || !strings.Contains(got.stderr, "Version 1 is in force.") || !strings.Contains(got.stdout, "9 beacons") {
		t.Errorf("apply: exit %d, said %q, printed %q", got.code, got.stderr, got.stdout)
	}
	shown := filepath.Join(t.TempDir(), "shown.yaml")
	if got := lamplighter(t, "fleet", "show", server, "-o", shown); got.code != 0 {
		t.Errorf("show: exit %d, said %q", got.code, got.stderr)
	}
	if text, err := os.ReadFile(shown); err != nil || string(text) != demo.Fleet(0) {
		t.Errorf("what is shown is not what was applied: %v", err)
	}
	changed := write(t, "fleet.yaml", strings.Replace(demo.Fleet(0), "share: 0.4", "share: 0.35", 1))
	want := "beacon hilltop-vhf: share 0.4 -> 0.35\n"
	if got := lamplighter(t, "fleet", "diff", server, changed); got.code != 0 || got.stdout != want {
		t.Errorf("diff: exit %d, printed %q, want %q", got.code, got.stdout, want)
	}
	if got := lamplighter(t, "fleet", "diff", server, changed, "--output", "json"); got.stdout != "{\n  \"version\": 1,\n  \"changes\": [\n    \"beacon hilltop-vhf: share 0.4 -> 0.35\"\n  ]\n}\n" {
		t.Errorf("diff as JSON: %q", got.stdout)
	}
	if got := lamplighter(t, "fleet", "diff", server, changed, "--output", "csv"); got.stdout != "change\n"+want {
		t.Errorf("diff as CSV: %q", got.stdout)
	}
	if got := lamplighter(t, "fleet", "apply", server, changed, "--based-on", "7"); got.code != 1 || !strings.Contains(got.stderr, "version 1 is in force by now") {
		t.Errorf("apply over another's change: exit %d, said %q", got.code, got.stderr)
	}
	if got := lamplighter(t, "fleet", "apply", server, changed); got.code != 1 || !strings.Contains(got.stderr, "--based-on 1") {
		t.Errorf("apply without a word of what was changed: exit %d, said %q", got.code, got.stderr)
	}
	wrong := write(t, "fleet.yaml", strings.Replace(demo.Fleet(0), "site: mill,", "site: mil,", 1))
	got := lamplighter(t, "fleet", "apply", server, wrong)
	if got.code != 1 || !strings.Contains(got.stderr, "refused whole") || !strings.Contains(got.stderr, wrong+":") {
		t.Errorf("a wrong file: exit %d, said %q", got.code, got.stderr)
	}
	if got := lamplighter(t, "fleet", "diff", server, file); got.stdout != "" || !strings.Contains(got.stderr, "No change to version 1.") {
		t.Errorf("after all that: printed %q, said %q", got.stdout, got.stderr)
	}
}

func TestStatusHasExactlyTheseKeys(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	got := lamplighter(t, "status", server, "--output", "json")
	var beacons []map[string]any
	if err := json.Unmarshal([]byte(got.stdout), &beacons); err != nil || got.code != 0 || len(beacons) != 9 {
		t.Fatalf("exit %d, %v, %d beacons, said %q", got.code, err, len(beacons), got.stderr)
	}
	want := []string{
		"beacon", "band", "clock_error_seconds", "last_seen", "lease_until", "lock", "on_air", "orders_revision",
		"sent_today", "site", "skipped_today", "state", "mute_reason", "frequency_uncertainty_ratio", "vitals",
	}
	slices.Sort(want)
	for _, b := range beacons {
		if keys := slices.Sorted(maps.Keys(b)); !slices.Equal(keys, want) {
			t.Errorf("keys %q, want %q", keys, want)
		}
		// Nobody was heard yet: all that is unknown is null.
		for key, value := range b {
			switch key {
			case "site", "beacon":
			case "state":
				if value != "never_seen" {
					t.Errorf("%s: state %v", b["beacon"], value)
				}
			case "lock":
				if value != "unknown" {
					t.Errorf("%s: lock %v", b["beacon"], value)
				}
			default:
				if value != nil {
					t.Errorf("%s: %s is %v, want null", b["beacon"], key, value)
				}
			}
		}
	}
	golden(t, "status.txt", lamplighter(t, "status", server).stdout)
	golden(t, "status.csv", lamplighter(t, "status", server, "--output", "csv").stdout)
}

func TestHushFailsUnlessAllHaveConfirmed(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	got := lamplighter(t, "hush", server, "--site", "mill", "--reason", "a trial", "--output", "csv")
	if got.code != 1 || !strings.Contains(got.stderr, "3 of 3 beacons have not confirmed") || !strings.Contains(got.stdout, "mill,mill-a,false,,\n") {
		t.Errorf("hush: exit %d, printed %q, said %q", got.code, got.stdout, got.stderr)
	}
	if got := lamplighter(t, "hush", server, "--site", "mil", "--reason", "a trial"); got.code != 1 || !strings.Contains(got.stderr, `no site "mil"`) {
		t.Errorf("hush of no site: exit %d, said %q", got.code, got.stderr)
	}
	if got := lamplighter(t, "release", server, "--reason", "over"); got.code != 1 || !strings.Contains(got.stderr, "in force are: site mill") {
		t.Errorf("release of another scope: exit %d, said %q", got.code, got.stderr)
	}
	if got := lamplighter(t, "release", server, "--site", "mill", "--reason", "over"); got.code != 0 || !strings.Contains(got.stderr, "Released: 1.") {
		t.Errorf("release: exit %d, said %q", got.code, got.stderr)
	}
	if got := lamplighter(t, "release", server, "--site", "mill", "--reason", "over"); got.code != 1 || !strings.Contains(got.stderr, "no hush is in force") {
		t.Errorf("release again: exit %d, said %q", got.code, got.stderr)
	}
}

func TestAgentConfigIsForTheOwnerAlone(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	file := filepath.Join(t.TempDir(), "mill-a.yaml")
	if err := os.WriteFile(file, []byte("an old one"), 0o644); err != nil {
		t.Fatal(err)
	}
	if got := lamplighter(t, "agent-config", server, "mill-a", "-o", file); got.code != 0 || got.stdout != "" {
		t.Fatalf("exit %d, printed %q, said %q", got.code, got.stdout, got.stderr)
	}
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if config, err := setup.Decode(file, text); err != nil || config.Beacon != "mill-a" || config.Site != "mill" {
		t.Errorf("%v, %+v", err, config)
	}
	if got := lamplighter(t, "agent-config", server, "mill-x"); got.code != 1 || !strings.Contains(got.stderr, `no beacon "mill-x"`) {
		t.Errorf("no such beacon: exit %d, said %q", got.code, got.stderr)
	}
}
