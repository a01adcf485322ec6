package fleet

import (
	"encoding"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"lamplighter/proto/spelling"
)

// value is one place in the file: what stands there, where, and what it is
// called there.
type value struct {
	node  *yaml.Node // nil where an alias leads nowhere, which has been reported
	at    place
	in    *value // the map or list that it stands in; nil: none
	index int    // in the list, -1 in a map
	name  string // such as share
}

// path is how to get to a value, such as beacons[3].share.
func (v value) path() string {
	if v.in == nil {
		return ""
	}
	outer := v.in.path()
	switch {
	case v.index >= 0:
		return outer + "[" + strconv.Itoa(v.index) + "]"
	case outer == "":
		return v.name
	}
	return outer + "." + v.name
}

// follow gives a value its node, behind all aliases.
func (r *reader) follow(v value, node *yaml.Node) value {
	v.at = placeOf(node)
	for range deepest {
		if r.values++; r.values == mostValues {
			r.add(v.at, v.path(), "aliases stand for too much here: write less by alias")
		}
		if r.values >= mostValues {
			return v
		}
		if node.Kind != yaml.AliasNode {
			v.node = node
			return v
		}
		node = node.Alias
	}
	r.add(v.at, v.path(), "this alias leads back to itself")
	return v
}

// is tells whether a value is a plain one with a tag that was not written out.
func (v value) is(tags ...string) bool {
	return v.node != nil && v.node.Kind == yaml.ScalarNode && !v.tagged() && slices.Contains(tags, v.node.Tag)
}

func (v value) tagged() bool { return v.node.Style&yaml.TaggedStyle != 0 }

// isMap and isList tell what has further values in it.
func (v value) isMap() bool {
	return v.node != nil && v.node.Kind == yaml.MappingNode && !v.tagged()
}

func (v value) isList() bool {
	return v.node != nil && v.node.Kind == yaml.SequenceNode && !v.tagged()
}

func (r *reader) wrong(v value, format string, args ...any) {
	r.add(v.at, v.path(), "%s %s", v.name, fmt.Sprintf(format, args...))
}

// found names what stands at a value, for sentences.
func (v value) found() string {
	switch {
	case v.node == nil || v.is(nullTag):
		return "nothing"
	case v.tagged():
		return "a tag"
	case v.isMap():
		return "a map"
	case v.isList():
		return "a list"
	case v.is(textTag, timeTag):
		return fmt.Sprintf("%.40q", v.node.Value)
	}
	return fmt.Sprintf("%.40s", v.node.Value)
}

// text reads a string that is not empty, of at most longest bytes.
func (r *reader) text(v value, longest int) (string, bool) {
	switch {
	case v.is(textTag, timeTag):
	case v.is(integerTag, numberTag, boolTag):
		r.wrong(v, "must be text, not %s: put it in quotes", v.found())
		return "", false
	default:
		r.wrong(v, "must be text, not %s", v.found())
		return "", false
	}
	s := v.node.Value
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
	if v.is(textTag) {
		for _, w := range words {
			if v.node.Value == w {
				return w
			}
		}
		if guess := spelling.Nearest(v.node.Value, words); guess != "" {
			r.wrong(v, "must be %s, not %q; did you mean %s?", list(words, "or"), v.node.Value, guess)
			return ""
		}
	}
	r.wrong(v, "must be %s, not %s", list(words, "or"), v.found())
	return ""
}

// integer reads a whole number from low to high.
func (r *reader) integer(v value, low, high int64) (int64, bool) {
	if v.is(integerTag) {
		i, err := strconv.ParseInt(v.node.Value, 10, 64)
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
	if v.is(integerTag, numberTag) {
		d, err := ParseDecimal(v.node.Value)
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
	if v.is(boolTag) {
		return strings.EqualFold(v.node.Value, "true"), true
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
	if !v.isList() {
		r.wrong(v, "must be a list, not %s", v.found())
		return nil
	}
	nodes := v.node.Content
	if len(nodes) > most {
		r.wrong(v, "has %d entries; at most %d are read", len(nodes), most)
		return nil
	}
	name := strings.TrimSuffix(v.name, " entry") + " entry"
	values := make([]value, 0, len(nodes))
	for i, node := range nodes {
		if entry := r.follow(value{in: &v, index: i, name: name}, node); entry.node != nil {
			values = append(values, entry)
		}
	}
	return values
}
