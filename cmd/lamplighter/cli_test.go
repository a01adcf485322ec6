package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// result is what a command did.
type result struct {
	code           int
	stdout, stderr string
}

// lamplighter runs the program in this process.
func lamplighter(t *testing.T, args ...string) result {
	t.Helper()
	return lamplighterUntil(t.Context(), args...)
}

func lamplighterUntil(ctx context.Context, args ...string) result {
	var stdout, stderr bytes.Buffer
	code := run(ctx, args, &stdout, &stderr)
	return result{code, stdout.String(), stderr.String()}
}

// golden compares text with testdata/name, or writes it there.
func golden(t *testing.T, name, text string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), text); diff != "" {
		t.Errorf("%s (-want +got); go test -update writes it anew\n%s", file, diff)
	}
}

// commandWords are all commands.
var commandWords = []string{
	"", "demo", "serve", "plan", "check", "fairness", "capacity", "simulate", "tones", "fleet", "fleet apply", "fleet diff", "fleet show",
	"fit", "status", "hush", "release", "agent-config", "enrol", "devices", "revoke", "readmit", "login", "people", "people list", "people add", "people change", "people end",
	"people reset", "people password", "token", "token create", "token list", "token revoke", "duty", "duty show", "duty start",
	"duty confirm", "duty end", "duty add", "duty remove", "audit", "audit list", "audit verify", "version", "completion",
	"alerts", "alerts list", "alerts ack", "alerts silence", "alerts silences", "alerts unsilence", "alerts test", "report", "who", "backup", "restore", "heard", "heard import", "heard unmatched", "heard corrections",
}

func TestHelpOfEachCommand(t *testing.T) {
	t.Setenv("COLUMNS", "80")
	for _, words := range commandWords {
		got := lamplighter(t, append(strings.Fields(words), "--help")...)
		if got.code != 0 || got.stderr != "" {
			t.Errorf("%s --help: exit %d, said %q", words, got.code, got.stderr)
		}
		if words != "" && words != "fleet" && !strings.Contains(got.stdout, "Example") {
			t.Errorf("%s --help shows no example", words)
		}
		golden(t, "help/"+strings.ReplaceAll(strings.TrimSpace("lamplighter "+words), " ", "-")+".txt", got.stdout)
	}
}

// The list above must not lack a command.
func TestEachCommandIsTested(t *testing.T) {
	script := lamplighter(t, "completion", "bash").stdout
	_, cases, ok := strings.Cut(script, `case "$at" in`)
	if !ok {
		t.Fatal("the completion script has another form")
	}
	for _, line := range strings.Split(strings.TrimSpace(cases), "\n") {
		words, _, ok := strings.Cut(strings.TrimPrefix(strings.TrimSpace(line), `"`), `") `)
		if !ok {
			break
		}
		found := false
		for _, known := range commandWords {
			found = found || known == words
		}
		if !found {
			t.Errorf("%q is a command that no test knows", words)
		}
	}
}

func TestWrongUsageIsExitTwo(t *testing.T) {
	for _, c := range []struct{ args, says string }{
		{"sttus", `did you mean "status"?`},
		{"fleet aply x.yaml", `did you mean "apply"?`},
		{"status --ouput json", `did you mean "--output"?`},
		{"status --output yaml", `--output must be one of "table","json","csv"`},
		{"plan fleet.yaml", "missing flags: --from=TIME, --to=TIME"},
		{"plan fleet.yaml --from 2026-12-01 --to 2026-12-02T00:00:00Z", "write it like 2026-12-01T00:00:00Z"},
		{"plan fleet.yaml --from 2026-12-01T00:00:00 --to 2026-12-02T00:00:00Z", "with Z for UTC or an offset"},
		{"fairness fleet.yaml", `expected "<plan>"`},
		{"capacity fleet.yaml --from yesterday", "write it like 2026-12-01T00:00:00Z"},
		{"tones Q1ABC JO62", `expected "<dbm>"`},
		{"tones Q1ABC JO62 thirty", "thirty"},
		{"hush --site hilltop", "missing flags: --reason=TEXT"},
		{"hush --site hilltop --beacon mill-hf --reason x", "--site and --beacon can't be used together"},
		{"completion powershell", `must be one of "bash","zsh","fish"`},
		{"demo --agents 501", "between 1 and 500"},
		{"demo --agents=-1", "between 1 and 500"},
		{"demo --for=-1s", "time runs forward"},
		{"serve", "missing flags: --dir=DIR"},
		{"serve --dir DIR --openid-issuer https://id.example", "needs all of --openid-issuer"},
		{"serve --dir DIR --openid-issuer http://id.example --openid-client us --openid-secret-file x --public-url https://lamp.example", "is no https://HOST"},
		{"serve --dir DIR --grpc 0.0.0.0:0", "--grpc: other computers could reach the coordinator"},
		{"serve --dir DIR --http :0", "--http: other computers could reach the coordinator"},
		{"serve --dir DIR --mqtt 192.0.2.1:1883", "--mqtt: other computers could reach the coordinator"},
		{"serve --dir DIR --mqtt localhost", "write HOST:PORT"},
	} {
		got := lamplighter(t, strings.Fields(strings.ReplaceAll(c.args, "DIR", t.TempDir()))...)
		if got.code != 2 || !strings.Contains(got.stderr, c.says) || got.stdout != "" {
			t.Errorf("%s: exit %d, said %q, printed %q; want exit 2 and %q", c.args, got.code, got.stderr, got.stdout, c.says)
		}
	}
}

func TestFailureIsExitOne(t *testing.T) {
	dead := "--server=127.0.0.1:1" // nothing ever listens there
	for _, c := range []struct{ args, says string }{
		{"tones QX9/Q1ABC FN42 37", "too short"},
		{"tones Q1ABC FN42AX55 37", "too long"},
		{"tones Q1ABC FN42 36", "cannot be sent"},
		{"tones TOOLONGCALL FN42 37", "cannot be sent"},
		{"plan missing.yaml --from 2026-12-01T00:00:00Z --to 2026-12-02T00:00:00Z", "missing.yaml: no such file"},
		{"check missing.yaml missing.json", "missing.yaml: no such file"},
		{"fairness missing.yaml missing.json", "missing.yaml: no such file"},
		{"capacity missing.yaml", "missing.yaml: no such file"},
		{"fleet diff missing.yaml", "missing.yaml: no such file"},
		{"status " + dead, "Start one with: lamplighter serve --tls --dir DIR"},
		{"fleet show " + dead, "no coordinator answers at 127.0.0.1:1"},
		{"hush --reason x " + dead, "no coordinator answers at 127.0.0.1:1"},
		{"release --reason x " + dead, "no coordinator answers at 127.0.0.1:1"},
		{"agent-config hilltop-hf " + dead, "no coordinator answers at 127.0.0.1:1"},
	} {
		got := lamplighter(t, strings.Fields(c.args)...)
		if got.code != 1 || !strings.Contains(got.stderr, c.says) || got.stdout != "" {
			t.Errorf("%s: exit %d, said %q, printed %q; want exit 1 and %q", c.args, got.code, got.stderr, got.stdout, c.says)
		}
	}
}

func TestTheServerComesFromTheEnvironmentToo(t *testing.T) {
	t.Setenv("LAMPLIGHTER_SERVER", "127.0.0.1:2")
	if got := lamplighter(t, "status"); !strings.Contains(got.stderr, "no coordinator answers at 127.0.0.1:2") {
		t.Errorf("said %q", got.stderr)
	}
}

func TestVersionNamesTheZoneData(t *testing.T) {
	got := lamplighter(t, "version", "--output", "json")
	var value map[string]string
	if err := json.Unmarshal([]byte(got.stdout), &value); err != nil || got.code != 0 {
		t.Fatalf("exit %d, %v", got.code, err)
	}
	for _, key := range []string{"version", "go", "zone_data"} {
		if value[key] == "" {
			t.Errorf("%s is empty in %v", key, value)
		}
	}
}
