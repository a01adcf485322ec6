package main

import (
	"flag"
	"testing"

	"github.com/alecthomas/kong"

	"lamplighter/cmd/internal/guide"
)

var update = flag.Bool("update", false, "write the README's table of commands anew")

// Each line of an example in the guides is one that the program takes.
func TestExamplesInTheGuides(t *testing.T) {
	for where, args := range guide.Examples(t, "lamplighter-agent") {
		if code, _, said := call(append(args, "--help")...); code != done {
			t.Errorf("%s: %s", where, said)
		}
	}
}

func TestTheREADMEsTableOfCommands(t *testing.T) {
	parser, err := kong.New(&commands{}, kong.Name("lamplighter-agent"))
	if err != nil {
		t.Fatal(err)
	}
	guide.Commands(t, parser.Model, *update)
}
