package form

import (
	"regexp"
	"strconv"
	"strings"

	"lamplighter/coordinator/fleet/rewrite"
)

var numeric = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)

// figure is a number, or yes or no, where it can be one, and otherwise what was
// written, so that package fleet says what would be right.
func figure(text string) rewrite.Value {
	if text == "true" || text == "false" {
		return rewrite.Bool(text == "true")
	}
	if numeric.MatchString(text) {
		return rewrite.Number(text)
	}
	return rewrite.Text(text)
}

func words(v rewrite.Value) string {
	switch v := v.(type) {
	case rewrite.Text:
		return string(v)
	case rewrite.Number:
		return string(v)
	case rewrite.Bool:
		return strconv.FormatBool(bool(v))
	case rewrite.List:
		parts := make([]string, len(v))
		for i, part := range v {
			parts[i] = words(part)
		}
		return strings.Join(parts, ", ")
	}
	return ""
}

// read is a value of a tree as an answer.
func (f Field) read(v rewrite.Value) string {
	if f.Kind == Tick && v == rewrite.Bool(false) {
		return ""
	}
	list, isList := v.(rewrite.List)
	if f.Kind != Sets && f.Kind != Lines || !isList {
		return words(v)
	}
	lines := make([]string, len(list))
	for i, set := range list {
		lines[i] = words(set)
	}
	return strings.Join(lines, "\n")
}

// write is an answer as a value of a tree.
func (f Field) write(answer string) rewrite.Value {
	switch f.Kind {
	case Figure, Pick:
		return figure(answer)
	case Tick:
		return rewrite.Bool(true)
	case Names:
		return listOf(answer, func(s string) rewrite.Value { return rewrite.Text(s) })
	case Figures:
		return listOf(answer, figure)
	case Lines:
		lines := rewrite.List{}
		for line := range strings.SplitSeq(answer, "\n") {
			if line = strings.TrimSpace(line); line != "" {
				lines = append(lines, rewrite.Text(line))
			}
		}
		return lines
	case Sets:
		sets := rewrite.List{}
		for line := range strings.SplitSeq(answer, "\n") {
			if line = strings.TrimSpace(line); line != "" {
				sets = append(sets, listOf(line, func(s string) rewrite.Value { return rewrite.Text(s) }))
			}
		}
		return sets
	}
	return rewrite.Text(answer)
}

func listOf(answer string, each func(string) rewrite.Value) rewrite.List {
	list := rewrite.List{}
	for word := range strings.SplitSeq(answer, ",") {
		if word = strings.TrimSpace(word); word != "" {
			list = append(list, each(word))
		}
	}
	return list
}

// readRows are the rows of a table as a tree has them. A word is a row with a
// name alone; a map is a table of two columns.
func readRows(f Field, v rewrite.Value) []Values {
	var rows []Values
	switch v := v.(type) {
	case rewrite.List:
		for _, entry := range v {
			rows = append(rows, readRow(f, entry))
		}
	case rewrite.Map:
		for _, p := range v {
			rows = append(rows, Values{f.Columns[0].Key: p.Key, f.Columns[1].Key: words(p.Value)})
		}
	case nil:
	default:
		if len(f.Columns) == 2 {
			rows = append(rows, Values{f.Columns[0].Key: everywhere, f.Columns[1].Key: words(v)})
		}
	}
	return rows
}

// everywhere is the key of what holds on all bands that have no row of their own.
const everywhere = "default"

func readRow(f Field, entry rewrite.Value) Values {
	m, ok := entry.(rewrite.Map)
	if !ok {
		return Values{f.Columns[0].Key: words(entry)}
	}
	row := Values{}
	for _, column := range f.Columns {
		if value := column.read(m.Get(column.Key)); value != "" {
			row[column.Key] = value
		}
	}
	return row
}

// writeRows makes a tree of rows; those that are as they were stay so.
func writeRows(f Field, rows []Values, before rewrite.Value) rewrite.Value {
	if len(rows) == 0 {
		return nil
	}
	if f.ByName && len(f.Columns) == 2 {
		return writeMap(f, rows)
	}
	old, _ := before.(rewrite.List)
	list := rewrite.List{}
	for _, row := range rows {
		list = append(list, writeRow(f, row, old))
	}
	return list
}

func writeRow(f Field, row Values, old rewrite.List) rewrite.Value {
	for _, entry := range old {
		if same(row, readRow(f, entry)) {
			return entry
		}
	}
	if name, ok := row[f.Columns[0].Key]; ok && len(row) == 1 && f.ByName {
		return rewrite.Text(name)
	}
	m := rewrite.Map{}
	for _, column := range f.Columns {
		if value := row[column.Key]; value != "" {
			m = append(m, rewrite.Pair{Key: column.Key, Value: column.write(value)})
		}
	}
	return m
}

// writeMap makes a map of a table of two columns; a number alone where it holds
// everywhere.
func writeMap(f Field, rows []Values) rewrite.Value {
	name, value := f.Columns[0].Key, f.Columns[1]
	if len(rows) == 1 && rows[0][name] == everywhere {
		return value.write(rows[0][value.Key])
	}
	m := rewrite.Map{}
	for _, row := range rows {
		m = append(m, rewrite.Pair{Key: row[name], Value: value.write(row[value.Key])})
	}
	return m
}

func same(a, b Values) bool {
	if len(a) != len(b) {
		return false
	}
	for key, value := range a {
		if other, ok := b[key]; !ok || other != value {
			return false
		}
	}
	return true
}
