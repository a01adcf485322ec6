package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lamplighter/cmd/lamplighter/demo"
)

func TestFitRecordsAndReplans(t *testing.T) {
	server := coordinator(t, demo.Fleet(0))
	shown := lamplighter(t, "fleet", "show", server)
	with := strings.Replace(shown.stdout, "{name: mill-a,", "{name: mill-a, filters: [{name: low, passes: [40m, 30m], fitted: plug}, {name: high, passes: [20m], fitted: plug}], plugged: low,", 1)
	file := filepath.Join(t.TempDir(), "fleet.yaml")
	if err := os.WriteFile(file, []byte(with), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := lamplighter(t, "fleet", "apply", server, file, "--based-on", "1"); got.code != 0 {
		t.Fatalf("said %q of\n%s", got.stderr, with)
	}
	got := lamplighter(t, "fit", server, "mill-a", "high", "--by", "the warden")
	if got.code != 0 || !strings.Contains(got.stdout, "mill-a: plugged low -> high") || !strings.Contains(got.stderr, "the plan is made anew") {
		t.Errorf("exit %d, printed %q, said %q", got.code, got.stdout, got.stderr)
	}
	if got := lamplighter(t, "fleet", "show", server); !strings.Contains(got.stdout, "plugged: high,") {
		t.Errorf("in force is\n%s", got.stdout)
	}
	if got := lamplighter(t, "fit", server, "mill-a", "high", "--by", "the warden"); got.code != 0 || !strings.Contains(got.stderr, "in place already") {
		t.Errorf("once more: exit %d, said %q", got.code, got.stderr)
	}
	if got := lamplighter(t, "fit", server, "mill-a", "higher", "--by", "the warden"); got.code != 1 || !strings.Contains(got.stderr, "it has low, high") {
		t.Errorf("a wrong filter: exit %d, said %q", got.code, got.stderr)
	}
}
