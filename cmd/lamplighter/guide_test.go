package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"lamplighter/cmd/internal/guide"
)

// Each line of an example in the guides is one that the program takes.
func TestExamplesInTheGuides(t *testing.T) {
	for where, args := range guide.Examples(t, "lamplighter") {
		if got := lamplighter(t, append(args, "--help")...); got.code != 0 {
			t.Errorf("%s: %s", where, got.stderr)
		}
	}
}

// So is each example that a command shows in its help.
func TestExamplesInTheHelp(t *testing.T) {
	seen := 0
	for _, words := range commandWords {
		help := lamplighter(t, append(strings.Fields(words), "--help")...).stdout
		_, examples, _ := strings.Cut(help, "Example")
		for line := range strings.Lines(strings.ReplaceAll(examples, "\\\n", "")) {
			args := guide.Fields(strings.TrimSpace(line))
			if len(args) < 2 || args[0] != "lamplighter" {
				continue
			}
			seen++
			if got := lamplighter(t, append(args[1:], "--help")...); got.code != 0 {
				t.Errorf("lamplighter %s --help: %s: %s", words, strings.TrimSpace(line), got.stderr)
			}
		}
	}
	if seen < len(commandWords) {
		t.Errorf("%d examples of %d commands", seen, len(commandWords))
	}
}

func TestTheREADMEsTableOfCommands(t *testing.T) {
	parser, err := kong.New(&commands{}, kong.Name("lamplighter"))
	if err != nil {
		t.Fatal(err)
	}
	guide.Commands(t, parser.Model, *update)
}

// The README's fleet file is right, and its plan breaks no rule.
func TestTheREADMEsFleetFile(t *testing.T) {
	folder := t.TempDir()
	for _, text := range guide.Blocks(t, "yaml") {
		fleet, plan := filepath.Join(folder, "fleet.yaml"), filepath.Join(folder, "plan.jsonl")
		if err := os.WriteFile(fleet, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		got := lamplighter(t, "plan", fleet, "--from", "2026-11-30T00:00:00Z", "--to", "2026-12-01T00:00:00Z", "-o", plan)
		if got.code != 0 {
			t.Fatalf("plan: %s", got.stderr)
		}
		if got := lamplighter(t, "check", fleet, plan); got.code != 0 {
			t.Errorf("check: %s%s", got.stdout, got.stderr)
		}
	}
}
