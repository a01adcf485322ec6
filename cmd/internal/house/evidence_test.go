package house

import (
	"go/ast"
	"os"
	"path/filepath"
	"regexp"
	"testing"
)

var namedTest = regexp.MustCompile(`\b(?:Test|Fuzz)[A-Z][A-Za-z0-9]+`)

// Evidence is worth as much as what it names: each test that the tables of
// evidence name is there.
func TestEachTestThatIsNamedAsEvidenceIsThere(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(top, "deploy", "security.md"))
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	for _, s := range sources(t) {
		for _, d := range s.syntax.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && !s.product {
				there[f.Name.Name] = true
			}
		}
	}
	named := namedTest.FindAllString(string(text), -1)
	if len(named) < 50 {
		t.Errorf("%d tests are named", len(named))
	}
	for _, name := range named {
		if !there[name] {
			t.Errorf("deploy/security.md names %s, and there is no such test", name)
		}
	}
}
