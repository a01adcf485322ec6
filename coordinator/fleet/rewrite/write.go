package rewrite

import (
	"regexp"
	"strconv"
	"strings"
)

// longestLine is how long a map may be that is written on one line.
const longestLine = 110

// Line writes a value on one line, which Read reads.
func Line(v Value) string { return flow(v) }

func flow(v Value) string {
	switch v := v.(type) {
	case Text:
		return scalar(string(v))
	case Number:
		return string(v)
	case Bool:
		return strconv.FormatBool(bool(v))
	case List:
		parts := make([]string, len(v))
		for i, part := range v {
			parts[i] = listed(part)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case Map:
		parts := make([]string, len(v))
		for i, p := range v {
			parts[i] = scalar(p.Key) + ": " + flow(p.Value)
		}
		return "{" + strings.Join(parts, ", ") + "}"
	}
	return "null"
}

// listed writes a value as an entry of a list, where text with a colon could be
// read as a key.
func listed(v Value) string {
	if text, ok := v.(Text); ok && strings.Contains(string(text), ":") {
		return strconv.Quote(string(text))
	}
	return flow(v)
}

var plain = regexp.MustCompile(`^[\p{L}\p{N}][\p{L}\p{N} _./:+-]*$`)

// scalar writes text without quotes where that says the same.
func scalar(text string) string {
	if plain.MatchString(text) && !strings.Contains(text+" ", ": ") {
		if said, err := Read("{key: " + text + "}"); err == nil && Equal(said, Map{{"key", Text(text)}}) {
			return text
		}
	}
	return strconv.Quote(text)
}

// entry writes an entry of a list, whose further lines begin with indent.
func entry(v Value, indent string, onOneLine bool) string {
	m, ok := v.(Map)
	if !ok || onOneLine || len(m) == 0 {
		return listed(v)
	}
	lines := make([]string, len(m))
	for i, p := range m {
		lines[i] = scalar(p.Key) + ": " + flow(p.Value)
	}
	return strings.Join(lines, "\n"+indent)
}

// short says whether an entry has room on a line.
func short(v Value) bool { return len(flow(v)) <= longestLine }

// behindColon writes what stands behind a key of a map in lines: a list of maps
// with a line for each, all else on the key's line.
func behindColon(v Value, indent string) string {
	list, ok := v.(List)
	if !ok || !ofMaps(list) {
		return " " + flow(v)
	}
	var words strings.Builder
	for _, e := range list {
		words.WriteString("\n" + indent + "  - " + entry(e, indent+"    ", short(e)))
	}
	return words.String()
}

func ofMaps(list List) bool {
	for _, e := range list {
		if _, ok := e.(Map); !ok {
			return false
		}
	}
	return len(list) > 0
}
