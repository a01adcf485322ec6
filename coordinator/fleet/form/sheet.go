package form

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"lamplighter/coordinator/fleet/rewrite"
)

// Kind is how a field is filled in.
type Kind string

// The kinds.
const (
	Line    Kind = "line"    // a line of text
	Figure  Kind = "figure"  // a number
	Day     Kind = "day"     // 2026-12-01
	Pick    Kind = "pick"    // one of Choices; empty: the usual
	Tick    Kind = "tick"    // yes or no
	Names   Kind = "names"   // words with commas between
	Figures Kind = "figures" // numbers with commas between
	Sets    Kind = "sets"    // lines of words with commas between
	Lines   Kind = "lines"   // lines of text
	Rows    Kind = "rows"    // a table with Columns
)

// Field is one thing that is asked.
type Field struct {
	Key      string // in the file, from the thing on: licence.max_power_dbm
	Label    string
	Unit     string
	Hint     string
	Usual    string // what holds where nothing is filled in
	Kind     Kind
	Required bool
	Fixed    bool // can't be changed once the thing is there
	Choices  []Choice
	List     string  // the suggestions that a line has: zones
	Columns  []Field // of a table; the first names the row
	ByName   bool    // a row with a name alone is a word in the file; or, with two columns, the table is a map
}

// Choice is one of several answers.
type Choice struct{ Value, Words string }

// Group is some fields under a title.
type Group struct {
	Title  string
	Note   string
	Folded bool // what few people need
	Fields []Field
}

// Sheet is all that is asked about a thing.
type Sheet []Group

// Values are the answers, by key; those in a table by key, row and column, such
// as bands.0.name. What is not filled in is not there.
type Values map[string]string

// Fields are all fields of the sheet.
func (s Sheet) Fields() []Field {
	var all []Field
	for _, g := range s {
		all = append(all, g.Fields...)
	}
	return all
}

// Encode writes values as one word, which Decode reads.
func (v Values) Encode() string {
	all := url.Values{}
	for key, value := range v {
		all.Set(key, value)
	}
	return all.Encode()
}

// Decode reads what Encode wrote; what is no such word is nothing.
func Decode(word string) Values {
	v := Values{}
	all, err := url.ParseQuery(word)
	if err != nil {
		return v
	}
	for key := range all {
		v[key] = all.Get(key)
	}
	return v
}

// most rows that are read of a table.
const most = 200

// Rows are the rows of a table, as far as they are filled in.
func (v Values) Rows(f Field) []Values {
	var rows []Values
	for i := range most {
		row := Values{}
		for _, column := range f.Columns {
			if value := v[Cell(f.Key, i, column.Key)]; value != "" {
				row[column.Key] = value
			}
		}
		if len(row) > 0 {
			rows = append(rows, row)
		}
	}
	return rows
}

// Cell is the key of an answer in a table.
func Cell(table string, row int, column string) string {
	return table + "." + strconv.Itoa(row) + "." + column
}

func (v Values) setRows(f Field, rows []Values) {
	for i, row := range rows {
		for column, value := range row {
			v[Cell(f.Key, i, column)] = value
		}
	}
}

// Filled reads the answers that a form was sent with.
func (s Sheet) Filled(answer func(key string) string) Values {
	v := Values{}
	take := func(key string) {
		if value := strings.TrimSpace(strings.ReplaceAll(answer(key), "\r\n", "\n")); value != "" {
			v[key] = value
		}
	}
	for _, f := range s.Fields() {
		if f.Kind != Rows {
			take(f.Key)
			continue
		}
		for i := range most {
			for _, column := range f.Columns {
				take(Cell(f.Key, i, column.Key))
			}
		}
		rows := v.Rows(f)
		for key := range v {
			if strings.HasPrefix(key, f.Key+".") {
				delete(v, key)
			}
		}
		v.setRows(f, rows) // without those between that are empty
	}
	return v
}

// Read fills in what a tree says.
func (s Sheet) Read(thing rewrite.Map) Values {
	v := Values{}
	for _, f := range s.Fields() {
		said := At(thing, f.Key)
		if f.Kind == Rows {
			v.setRows(f, readRows(f, said))
		} else if value := f.read(said); value != "" {
			v[f.Key] = value
		}
	}
	return v
}

// Write makes the tree say what is filled in.
func (s Sheet) Write(thing rewrite.Map, v Values) rewrite.Map {
	before := s.Read(thing)
	for _, f := range s.Fields() {
		if s.told(f, before) == s.told(f, v) {
			continue
		}
		var said rewrite.Value
		switch {
		case f.Kind == Rows:
			said = writeRows(f, v.Rows(f), At(thing, f.Key))
		case v[f.Key] != "":
			said = f.write(v[f.Key])
		}
		thing = Put(thing, f.Key, said, s.order())
	}
	return thing
}

// order is that of the keys of the file, those within others too.
func (s Sheet) order() []string {
	var order []string
	for _, f := range s.Fields() {
		for key := range strings.SplitSeq(f.Key, ".") {
			if !slices.Contains(order, key) {
				order = append(order, key)
			}
		}
	}
	return order
}

// At is what stands in a tree behind a key of keys, such as alerts.limits.
func At(m rewrite.Map, key string) rewrite.Value {
	first, rest, within := strings.Cut(key, ".")
	if !within {
		return m.Get(first)
	}
	inner, _ := m.Get(first).(rewrite.Map)
	return At(inner, rest)
}

// Put sets it; a map in which nothing is left goes too. The order is that of keys.
func Put(m rewrite.Map, key string, v rewrite.Value, order []string) rewrite.Map {
	first, rest, within := strings.Cut(key, ".")
	if !within {
		return m.With(first, v, order)
	}
	inner, _ := m.Get(first).(rewrite.Map)
	if inner = Put(inner, rest, v, order); len(inner) == 0 {
		return m.With(first, nil, order)
	}
	return m.With(first, inner, order)
}

// Place is the key of the field, or of the cell, that a path of a fleet file
// within the thing leads to, such as bands[1].weight; empty: none.
func (s Sheet) Place(path string) string {
	key := strings.NewReplacer("[", ".", "]", "").Replace(path)
	for _, f := range s.Fields() {
		switch {
		case key == f.Key:
			return key
		case f.Kind == Rows && strings.HasPrefix(key, f.Key+".") && f.hasCell(key):
			row, column, _ := strings.Cut(strings.TrimPrefix(key, f.Key+"."), ".")
			column, _, _ = strings.Cut(column, ".") // what is wrong with a word of several
			return f.Key + "." + row + "." + column
		case strings.HasPrefix(key, f.Key+"."):
			if row, _, _ := strings.Cut(strings.TrimPrefix(key, f.Key+"."), "."); f.Kind == Rows && row != "" && f.hasCell(Cell(f.Key, 0, f.Columns[0].Key)) {
				if number, err := strconv.Atoi(row); err == nil {
					return Cell(f.Key, number, f.Columns[0].Key)
				}
			}
			return f.Key
		}
	}
	return ""
}

func (f Field) hasCell(key string) bool {
	_, column, _ := strings.Cut(strings.TrimPrefix(key, f.Key+"."), ".")
	column, _, _ = strings.Cut(column, ".")
	return slices.ContainsFunc(f.Columns, func(c Field) bool { return c.Key == column })
}
