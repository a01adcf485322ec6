package form

import "strings"

// Clash is a field that two people changed in two ways.
type Clash struct {
	Field        Field
	Mine, Theirs string // in words; empty: nothing
}

// Merge joins two people's changes to what was there: mine, with theirs wherever
// I left a field as it was. Taken are the fields that were theirs; clashes those
// that both changed, in which mine stands.
func (s Sheet) Merge(was, mine, theirs Values) (merged Values, taken []Field, clashes []Clash) {
	merged = Values{}
	for _, f := range s.Fields() {
		w, m, t := s.told(f, was), s.told(f, mine), s.told(f, theirs)
		from := mine
		switch {
		case t == w || t == m:
		case m == w:
			from = theirs
			taken = append(taken, f)
		default:
			clashes = append(clashes, Clash{f, m, t})
		}
		merged.take(f, from)
	}
	return merged, taken, clashes
}

// take copies the answers of a field.
func (v Values) take(f Field, from Values) {
	if f.Kind == Rows {
		v.setRows(f, from.Rows(f))
	} else if from[f.Key] != "" {
		v[f.Key] = from[f.Key]
	}
}

// told is a field's answer in words.
func (s Sheet) told(f Field, v Values) string {
	if f.Kind != Rows {
		return v[f.Key]
	}
	var rows []string
	for _, row := range v.Rows(f) {
		var cells []string
		for _, column := range f.Columns {
			if value := row[column.Key]; value != "" {
				cells = append(cells, column.Key+" "+value)
			}
		}
		rows = append(rows, strings.Join(cells, ", "))
	}
	return strings.Join(rows, "; ")
}
