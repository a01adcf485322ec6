package fleet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Finding is one thing in a fleet file that is wrong or deserves a look.
type Finding struct {
	File         string
	Line, Column int    // from 1; 0 when the file as a whole is meant
	Path         string // where in the structure, such as beacons[3].bands[0].sun
	Sentence     string // what is wrong and what would be right
}

// String returns file:line:column: sentence.
func (f Finding) String() string {
	if f.Line == 0 {
		return f.File + ": " + f.Sentence
	}
	return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Sentence)
}

// Error returns what String returns.
func (f Finding) Error() string { return f.String() }

// Findings is everything that is wrong with a file, in the order of the file.
type Findings []Finding

// Error returns one line for each finding.
func (f Findings) Error() string {
	lines := make([]string, len(f))
	for i, finding := range f {
		lines[i] = finding.String()
	}
	return strings.Join(lines, "\n")
}

func (f Findings) sort() {
	slices.SortStableFunc(f, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}
