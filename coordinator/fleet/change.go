package fleet

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
)

// Digest returns a hash of what the fleet means: it stays the same when lists
// are put in another order, comments change, or a default is written out.
func (f *Fleet) Digest() [sha256.Size]byte {
	var text []byte
	for _, t := range f.things() {
		// Quoted, so that no text can look like a boundary.
		text = fmt.Appendf(text, "%q", t.name)
		for _, fact := range t.facts {
			text = fmt.Appendf(text, " %q %q", fact.key, fact.value)
		}
		text = append(text, '\n')
	}
	return sha256.Sum256(text)
}

// ChangeKind says what became of a thing.
type ChangeKind string

// The kinds.
const (
	Added   ChangeKind = "added"
	Removed ChangeKind = "removed"
	Changed ChangeKind = "changed"
)

// Change is one difference between two fleets.
type Change struct {
	Kind     ChangeKind
	What     string // such as beacon hilltop-hf
	Field    string // its key in the fleet file, when Kind is Changed
	Old, New string // of the field; "" where it had or has none
}

// String is the change in words: beacon hilltop-hf: share 0.2 -> 0.3.
func (c Change) String() string {
	if c.Kind != Changed {
		return c.What + ": " + string(c.Kind)
	}
	return fmt.Sprintf("%s: %s %s -> %s", c.What, c.Field, orNone(c.Old), orNone(c.New))
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// Changes returns the differences in meaning between two fleets, sorted by what
// they are about.
func Changes(old, next *Fleet) []Change {
	var changes []Change
	a, b := old.things(), next.things()
	for len(a) > 0 || len(b) > 0 {
		switch order := compareHeads(a, b); {
		case order < 0:
			changes = append(changes, Change{Kind: Removed, What: a[0].name})
			a = a[1:]
		case order > 0:
			changes = append(changes, Change{Kind: Added, What: b[0].name})
			b = b[1:]
		default:
			changes = append(changes, factChanges(a[0], b[0])...)
			a, b = a[1:], b[1:]
		}
	}
	return changes
}

func compareHeads(a, b []thing) int {
	switch {
	case len(b) == 0:
		return -1
	case len(a) == 0:
		return 1
	}
	return strings.Compare(a[0].name, b[0].name)
}

func factChanges(old, next thing) []Change {
	before, after := map[string]string{}, map[string]string{}
	var keys []string
	for _, f := range old.facts {
		before[f.key] = f.value
		keys = append(keys, f.key)
	}
	for _, f := range next.facts {
		after[f.key] = f.value
		keys = append(keys, f.key)
	}
	slices.Sort(keys)
	var changes []Change
	for _, key := range slices.Compact(keys) {
		if before[key] != after[key] {
			changes = append(changes, Change{Changed, old.name, key, before[key], after[key]})
		}
	}
	return changes
}
