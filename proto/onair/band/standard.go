package band

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
	"sync"
)

//go:embed bands.txt
var standardText string

// Standard is the built-in table, 2200m to 2m. It is read once and shared.
func Standard() *Table { return standard() }

var standard = sync.OnceValue(func() *Table {
	table, err := parse(standardText)
	if err != nil {
		panic("embedded band table: " + err.Error()) // a test reads the same text
	}
	return table
})

// parse reads a table: a line per band with name, dial, lowest and highest
// audio frequency in hertz; '#' starts a comment.
func parse(text string) (*Table, error) {
	var bands []Band
	for i, line := range strings.Split(text, "\n") {
		line, _, _ = strings.Cut(line, "#")
		fields := strings.Fields(line)
		if len(fields) == 0 {
			continue
		}
		b, err := parseLine(fields)
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", i+1, err)
		}
		bands = append(bands, b)
	}
	return (&Table{}).With(bands...)
}

func parseLine(fields []string) (Band, error) {
	if len(fields) != 4 {
		return Band{}, fmt.Errorf("%d columns instead of 4 (name, dial, lowest, highest)", len(fields))
	}
	var hertz [3]int64
	for i, field := range fields[1:] {
		value, err := strconv.ParseInt(field, 10, 64)
		if err != nil {
			return Band{}, fmt.Errorf("%q is not a whole number of hertz", field)
		}
		hertz[i] = value
	}
	return Band{Name: fields[0], DialHz: hertz[0], WindowHz: [2]int64{hertz[1], hertz[2]}}, nil
}
