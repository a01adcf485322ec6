// Package guide holds the texts for people against the programs that they speak
// of, for the tests of those programs: each example line is one that the program
// takes, and tables are written by the test that checks them.
package guide

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/google/go-cmp/cmp"
)

// texts are the files for people, seen from a program's folder.
var texts = []string{"../../README.md", "../../DEVELOPERS.md", "../../deploy/*.md"}

// Examples gives the arguments of each line of an example (```sh) that calls a
// program, by where it stands.
func Examples(t *testing.T, program string) map[string][]string {
	t.Helper()
	found := map[string][]string{}
	for _, pattern := range texts {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("no %s: %v", pattern, err)
		}
		for _, file := range files {
			for _, line := range lines(read(t, file)) {
				if words := Fields(line); len(words) > 0 && words[0] == program {
					found[filepath.Base(file)+": "+line] = words[1:]
				}
			}
		}
	}
	if len(found) == 0 {
		t.Fatalf("no example calls %s", program)
	}
	return found
}

// lines gives those of the examples, one that goes on (\) put together.
func lines(text string) (all []string) {
	for i, part := range strings.Split(text, "```") {
		if example, ok := strings.CutPrefix(part, "sh\n"); ok && i%2 == 1 {
			all = append(all, strings.Split(strings.ReplaceAll(example, "\\\n", " "), "\n")...)
		}
	}
	return all
}

// Fields splits a line as a shell does as far as the examples need it: comments
// end it, as do a redirection and the next command, and quotes hold words together.
func Fields(line string) (words []string) {
	var word strings.Builder
	open, quoted, deep := false, false, 0 // deep in $(…)
	end := func() {
		if open {
			words = append(words, word.String())
		}
		word.Reset()
		open = false
	}
	for _, r := range line {
		switch {
		case r == '(':
			deep++
		case r == ')':
			deep--
		case deep > 0: // what another command would say
		case r == '"':
			quoted, open = !quoted, true
		case !quoted && r == '#' && !open, !quoted && strings.ContainsRune("|;&>", r):
			end()
			return words
		case !quoted && (r == ' ' || r == '\t'):
			end()
		default:
			word.WriteRune(r)
			open = true
		}
	}
	end()
	return words
}

// Commands wants the README's table of a program's commands to be what the
// program says of itself; with update it writes the table.
func Commands(t *testing.T, model *kong.Application, update bool) {
	t.Helper()
	var table strings.Builder
	table.WriteString("| command | what it does |\n| --- | --- |\n")
	for _, command := range model.Children {
		if command.Hidden {
			continue
		}
		words := model.Name + " " + command.Name
		if len(command.Children) > 0 {
			words += " " + strings.Join(names(command.Children), `\|`)
		}
		table.WriteString("| `" + words + "` | " + command.Help + " |\n")
	}
	const file = "../../README.md"
	text := read(t, file)
	begin, end := "<!-- commands of "+model.Name+" -->\n", "<!-- end of commands of "+model.Name+" -->\n"
	before, rest, ok := strings.Cut(text, begin)
	old, after, closed := strings.Cut(rest, end)
	if !ok || !closed {
		t.Fatalf("the README has no place for the commands: %s…%s", begin, end)
	}
	if update {
		if err := os.WriteFile(file, []byte(before+begin+table.String()+end+after), 0o644); err != nil { //nolint:gosec // for everybody
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(old, table.String()); diff != "" {
		t.Errorf("the README's table of commands (-README +program); go test -update writes it anew\n%s", diff)
	}
}

func names(nodes []*kong.Node) (all []string) {
	for _, node := range nodes {
		all = append(all, node.Name)
	}
	return all
}

func read(t *testing.T, file string) string {
	t.Helper()
	text, err := os.ReadFile(file) //nolint:gosec // one of ours
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Blocks gives the README's examples in a language, such as yaml.
func Blocks(t *testing.T, language string) (all []string) {
	t.Helper()
	for i, part := range strings.Split(read(t, "../../README.md"), "```") {
		if example, ok := strings.CutPrefix(part, language+"\n"); ok && i%2 == 1 {
			all = append(all, example)
		}
	}
	if len(all) == 0 {
		t.Fatalf("the README has no example in %s", language)
	}
	return all
}
