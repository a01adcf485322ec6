package house

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// top is the repository, seen from this package.
const top = "../../.."

// source is one Go file that is part of the product.
type source struct {
	folder, name string // folder is relative to the top, with forward slashes
	product      bool   // neither a test nor a generator that is run by hand
	syntax       *ast.File
}

func (s source) String() string { return s.folder + "/" + s.name }

func (s source) imports() []string {
	var paths []string
	for _, spec := range s.syntax.Imports {
		paths = append(paths, strings.Trim(spec.Path.Value, `"`))
	}
	return paths
}

func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir(top, func(file string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.IsDir() && file != top && (strings.HasPrefix(entry.Name(), ".") || entry.Name() == "testdata") {
			return filepath.SkipDir
		}
		if entry.IsDir() || !strings.HasSuffix(file, ".go") {
			return nil
		}
		syntax, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution|parser.ParseComments)
		if err != nil {
			return err
		}
		folder, err := filepath.Rel(top, filepath.Dir(file))
		if err != nil {
			return err
		}
		product := !strings.HasSuffix(file, "_test.go") && !generator(syntax)
		all = append(all, source{filepath.ToSlash(folder), entry.Name(), product, syntax})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 20 {
		t.Fatalf("only %d Go files were found: this test looks in the wrong place", len(all))
	}
	return all
}

// generator says whether a file is left out of every build.
func generator(file *ast.File) bool {
	return slices.ContainsFunc(file.Comments, func(group *ast.CommentGroup) bool {
		return group.Pos() < file.Package && strings.HasPrefix(group.List[0].Text, "//go:build ignore")
	})
}

func below(folder, root string) bool { return folder == root || strings.HasPrefix(folder, root+"/") }

func TestTheTopHoldsNothingElse(t *testing.T) {
	entries, err := os.ReadDir(top)
	if err != nil {
		t.Fatal(err)
	}
	for _, entry := range entries {
		name := entry.Name()
		if strings.HasPrefix(name, ".") || name == "lamplighter" || name == "lamplighter-agent" { // binaries that git ignores
			continue
		}
		if !slices.Contains(topLevel, name) {
			t.Errorf("%s stands at the top, and only dotfiles and %s may", name, strings.Join(topLevel, ", "))
		}
	}
	for _, name := range topLevel {
		if _, err := os.Stat(filepath.Join(top, name)); err != nil {
			t.Errorf("%s is gone from the top, and rules.go names it", name)
		}
	}
}

func TestImportsGoOneWay(t *testing.T) {
	for _, file := range sources(t) {
		if err := wrongImport(file.folder, file.imports()); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
}

func wrongImport(folder string, imports []string) error {
	for _, rule := range mayImport {
		if !below(folder, rule.folder) {
			continue
		}
		for _, imported := range imports {
			ours, ok := strings.CutPrefix(imported, module+"/")
			if ok && !slices.ContainsFunc(rule.from, func(root string) bool { return below(ours, root) }) {
				return fmt.Errorf("imports %s, and what is in %s may import only from %v", imported, rule.folder, rule.from)
			}
			if below(imported, "google.golang.org/grpc") && below(folder, "agent") {
				return fmt.Errorf("imports %s, and an agent never links gRPC", imported)
			}
		}
		return nil
	}
	return fmt.Errorf("is in a folder that no rule in rules.go speaks of")
}

func TestWhatDecidesDoesNoInputOrOutput(t *testing.T) {
	seen := map[string]bool{}
	for _, file := range sources(t) {
		if !slices.Contains(pure, file.folder) || !file.product {
			continue
		}
		seen[file.folder] = true
		for _, imported := range file.imports() {
			if err := impureImport(imported); err != nil {
				t.Errorf("%s: %v", file, err)
			}
		}
		for _, call := range forbidden(file.syntax) {
			t.Errorf("%s calls %s: what decides is given the time and its chances as arguments", file, call)
		}
	}
	for _, folder := range pure {
		if !seen[folder] {
			t.Errorf("%s is gone, and rules.go names it as pure", folder)
		}
	}
}

func impureImport(imported string) error {
	if ours, ok := strings.CutPrefix(imported, module+"/"); ok {
		if slices.Contains(pure, ours) || ours == generatedServices {
			return nil
		}
		return fmt.Errorf("imports %s, which is not pure", imported)
	}
	if harmless[imported] != "" {
		return nil
	}
	for _, root := range impure {
		if below(imported, root) {
			return fmt.Errorf("imports %s: what decides does no input or output", imported)
		}
	}
	if first, _, _ := strings.Cut(imported, "/"); !strings.Contains(first, ".") {
		return nil // the rest of the standard library
	}
	for root := range libraries {
		if below(imported, root) {
			return nil
		}
	}
	return fmt.Errorf("imports %s, which is not on the list of libraries for pure packages", imported)
}

// forbidden lists the calls and uses of functions in forbiddenCalls.
func forbidden(file *ast.File) []string {
	names := map[string]string{} // as the file calls the package → its path
	for _, spec := range file.Imports {
		imported := strings.Trim(spec.Path.Value, `"`)
		if forbiddenCalls[imported] == nil {
			continue
		}
		name := path.Base(imported)
		if name == "v2" {
			name = path.Base(path.Dir(imported))
		}
		if spec.Name != nil {
			name = spec.Name.Name
		}
		names[name] = imported
	}
	var calls []string
	ast.Inspect(file, func(node ast.Node) bool {
		selector, ok := node.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if id, ok := selector.X.(*ast.Ident); ok && slices.Contains(forbiddenCalls[names[id.Name]], selector.Sel.Name) {
			calls = append(calls, id.Name+"."+selector.Sel.Name)
		}
		return true
	})
	return calls
}

func TestWhatIsForOnePackageIsUsedNowhereElse(t *testing.T) {
	used := map[string]bool{}
	for _, file := range sources(t) {
		for _, method := range reserved(file.syntax) {
			used[method] = true
			if file.product && file.folder != onlyHere[method] {
				t.Errorf("%s uses %s, which is for %s alone", file, method, onlyHere[method])
			}
		}
	}
	for method, folder := range onlyHere {
		if !used[method] {
			t.Errorf("nobody uses %s any more, and rules.go keeps it for %s", method, folder)
		}
	}
}

// reserved lists the uses of methods in onlyHere.
func reserved(file *ast.File) (methods []string) {
	ast.Inspect(file, func(node ast.Node) bool {
		if selector, ok := node.(*ast.SelectorExpr); ok && onlyHere[selector.Sel.Name] != "" {
			methods = append(methods, selector.Sel.Name)
		}
		return true
	})
	return methods
}

// The rules themselves must be able to fail.
func TestTheRulesRefuse(t *testing.T) {
	for name, err := range map[string]error{
		"an agent that imports the coordinator": wrongImport("agent/core", []string{"lamplighter/coordinator/fleet"}),
		"a coordinator that imports the agent":  wrongImport("coordinator/app", []string{"lamplighter/agent/core"}),
		"a proto that imports anything of ours": wrongImport("proto/topic", []string{"lamplighter/coordinator/fleet"}),
		"the small binary with the coordinator": wrongImport("cmd/lamplighter-agent", []string{"lamplighter/coordinator/app"}),
		"an agent that links gRPC":              wrongImport("agent/link", []string{"google.golang.org/grpc"}),
		"a folder without a rule":               wrongImport("lib/x", nil),
		"a core that opens sockets":             impureImport("net"),
		"a core that reads files":               impureImport("os/exec"),
		"a core with a library for a database":  impureImport("github.com/jackc/pgx/v5"),
		"a core that uses a shell of ours":      impureImport("lamplighter/coordinator/store"),
	} {
		if err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
	text := "package p\nimport (\n\"time\"\nwait \"time\"\nrand \"math/rand/v2\"\n)\nvar a = time.Now\nfunc f() { wait.Sleep(1); _ = rand.IntN(3); _ = time.Unix(0, 0) }\n"
	syntax, err := parser.ParseFile(token.NewFileSet(), "p.go", text, 0)
	if err != nil {
		t.Fatal(err)
	}
	shortcut, err := parser.ParseFile(token.NewFileSet(), "p.go", "package p\nvar keys = ring.Remembering()\n", 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := reserved(shortcut); !slices.Equal(got, []string{"Remembering"}) {
		t.Errorf("found %v", got)
	}
	if got := forbidden(syntax); !slices.Equal(got, []string{"time.Now", "wait.Sleep", "rand.IntN"}) {
		t.Errorf("found %v", got)
	}
}
