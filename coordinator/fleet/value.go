package fleet

import (
	"encoding"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"lamplighter/proto/spelling"
)

// value is one place in the file: what stands there, where, and what it is
// called there.
type value struct {
	node ast.Node // nil where an alias leads nowhere, which has been reported
	at   *token.Position
	path string // such as beacons[3].share
	name string // such as share
}

// value follows anchors and aliases to what they stand for.
func (r *reader) value(node ast.Node, path, name string) value {
	v := value{at: node.GetToken().Position, path: path, name: name}
	for range deepest {
		if r.values++; r.values == mostValues {
			r.add(v.at, path, "aliases stand for too much here: write less by alias")
		}
		if r.values >= mostValues {
			return v
		}
		switch n := node.(type) {
		case *ast.AnchorNode:
			node = n.Value
		case *ast.AliasNode:
			target, ok := r.anchors[n.Value.GetToken().Value]
			if !ok {
				r.add(v.at, path, "there is no anchor &%s for this alias", n.Value.GetToken().Value)
				return v
			}
			node = target
		default:
			v.node = node
			return v
		}
	}
	r.add(v.at, path, "this alias leads back to itself")
	return v
}

func (r *reader) wrong(v value, format string, args ...any) {
	r.add(v.at, v.path, "%s %s", v.name, fmt.Sprintf(format, args...))
}

// found names what stands at a value, for sentences.
func (v value) found() string {
	switch n := v.node.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a map"
	case *ast.SequenceNode:
		return "a list"
	case *ast.StringNode:
		return fmt.Sprintf("%.40q", n.Value)
	case *ast.TagNode:
		return "a tag"
	}
	return fmt.Sprintf("%.40s", v.node.GetToken().Value)
}

// text reads a string that is not empty, of at most longest bytes.
func (r *reader) text(v value, longest int) (string, bool) {
	var s string
	switch n := v.node.(type) {
	case *ast.StringNode:
		s = n.Value
	case *ast.LiteralNode:
		s = n.Value.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		r.wrong(v, "must be text, not %s: put it in quotes", v.found())
		return "", false
	default:
		r.wrong(v, "must be text, not %s", v.found())
		return "", false
	}
	switch {
	case s == "":
		r.wrong(v, "must not be empty")
	case len(s) > longest:
		r.wrong(v, "must have at most %d characters", longest)
	default:
		for _, c := range s {
			if c < ' ' || c == 0x7f {
				r.wrong(v, "must be one line without control characters")
				return "", false
			}
		}
		return s, true
	}
	return "", false
}

// word reads one of the given words, "" where it is none of them.
func (r *reader) word(v value, words ...string) string {
	if s, ok := v.node.(*ast.StringNode); ok {
		for _, w := range words {
			if s.Value == w {
				return w
			}
		}
		if guess := spelling.Nearest(s.Value, words); guess != "" {
			r.wrong(v, "must be %s, not %q; did you mean %s?", list(words, "or"), s.Value, guess)
			return ""
		}
	}
	r.wrong(v, "must be %s, not %s", list(words, "or"), v.found())
	return ""
}

// integer reads a whole number from low to high.
func (r *reader) integer(v value, low, high int64) (int64, bool) {
	if n, ok := v.node.(*ast.IntegerNode); ok {
		i, err := strconv.ParseInt(n.GetToken().Value, 10, 64)
		if err == nil && i >= low && i <= high {
			return i, true
		}
	}
	r.wrong(v, "must be a whole number from %d to %d, not %s", low, high, v.found())
	return 0, false
}

// decimal reads a number from 0 or, when positive is set, above it, to high.
func (r *reader) decimal(v value, positive bool, high int64) (Decimal, bool) {
	kind := "a number from 0"
	if positive {
		kind = "a number above 0, at most"
	} else {
		kind += " to"
	}
	switch v.node.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		d, err := ParseDecimal(v.node.GetToken().Value)
		if err == nil && d.Cmp(Whole(high)) <= 0 && (!positive || !d.IsZero()) {
			return d, true
		}
		if err != nil {
			r.wrong(v, "must be %s %d: %v", kind, high, err)
			return Decimal{}, false
		}
	}
	r.wrong(v, "must be %s %d, not %s", kind, high, v.found())
	return Decimal{}, false
}

// boolean reads true or false.
func (r *reader) boolean(v value) (is, ok bool) {
	if n, ok := v.node.(*ast.BoolNode); ok {
		return n.Value, true
	}
	r.wrong(v, "must be true or false, not %s", v.found())
	return false, false
}

// parsed reads text by a type's own UnmarshalText.
func (r *reader) parsed(v value, into encoding.TextUnmarshaler) bool {
	s, ok := r.text(v, 64)
	if !ok {
		return false
	}
	if err := into.UnmarshalText([]byte(s)); err != nil {
		r.wrong(v, "is wrong: %v", err)
		return false
	}
	return true
}

// duration reads a positive duration such as 6h or 90m.
func (r *reader) duration(v value) (time.Duration, bool) {
	s, ok := r.text(v, 32)
	if !ok {
		return 0, false
	}
	d, err := time.ParseDuration(s)
	if err != nil || d <= 0 || d > longestPauseDays*24*time.Hour {
		r.wrong(v, "must be a duration such as 6h or 1h30m, at most %d days in hours, not %q", longestPauseDays, s)
		return 0, false
	}
	return d, true
}

// entries reads a list of at most most entries.
func (r *reader) entries(v value, most int) []value {
	seq, ok := v.node.(*ast.SequenceNode)
	if !ok {
		r.wrong(v, "must be a list, not %s", v.found())
		return nil
	}
	if len(seq.Values) > most {
		r.wrong(v, "has %d entries; at most %d are read", len(seq.Values), most)
		return nil
	}
	name := strings.TrimSuffix(v.name, " entry") + " entry"
	values := make([]value, 0, len(seq.Values))
	for i, node := range seq.Values {
		if entry := r.value(node, fmt.Sprintf("%s[%d]", v.path, i), name); entry.node != nil {
			values = append(values, entry)
		}
	}
	return values
}
