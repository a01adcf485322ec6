package console

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"strings"

	"lamplighter/proto/onair/band"
)

// bandLook tells a band from others: first by a pattern, then by an ink. The
// same tile is drawn by the page's SVG and by the timeline's canvas.
type bandLook struct {
	Name string `json:"name"`
	Mark string `json:"mark"` // what stands in a cell that has room
	Tile string `json:"tile"` // an SVG path on 8 by 8 units, filled
	Ink  int    `json:"ink"`  // which of the inks of the style sheet
}

// tiles, none of which looks like another where two of them may meet.
var tiles = []string{
	"M0 0H8V8H0Z", // full
	"M0 6L6 0H8L0 8ZM8 6V8H6Z",
	"M0 0H8V2H0ZM0 4H8V6H0Z",
	"M4 1A3 3 0 1 1 3.99 1Z",
	"M0 2L6 8H8L0 0ZM6 0H8V2Z",
	"M0 0H2V8H0ZM4 0H6V8H4Z",
	"M0 0H4V4H0ZM4 4H8V8H4Z",
	"M0 0H8V1.6H0ZM0 0H1.6V8H0Z",
	"M0 4L4 0L8 4V8L4 4L0 8Z",
	"M0 4H8V8H0Z",
	"M4 0L8 4L4 8H0L4 4L0 0Z",
	"M1 1H3.4V3.4H1ZM5 5H7.4V7.4H5Z",
	"M0 0H3L4 4L5 0H8L5.5 8H2.5Z",
	"M0 0H8V8H0ZM4 1.6A2.4 2.4 0 1 0 4.01 1.6Z",
	"M1 1H7V7H1ZM2.5 2.5V5.5H5.5V2.5Z",
	"M0 0H3V8H0Z",
}

// inks is how many inks the style sheet has. Neighbouring bands have different
// ones, and their order follows no rainbow.
const inks = 5

// lookOf are the looks of the standard bands; inks go by steps of two.
var lookOf = func() map[string]bandLook {
	byName := map[string]bandLook{}
	for i, b := range band.Standard().All() {
		byName[b.Name] = bandLook{b.Name, mark(b.Name), tiles[i%len(tiles)], i * 2 % inks}
	}
	return byName
}()

func mark(name string) string { return strings.TrimSuffix(name, "m") }

// look is that of any band; one that is not standard gets it by its name.
func look(name string) bandLook {
	if l, known := lookOf[name]; known {
		return l
	}
	h := fnv.New32a()
	_, _ = h.Write([]byte(name))
	at := int(h.Sum32() % uint32(len(tiles)))
	return bandLook{name, mark(name), tiles[at], int(h.Sum32()>>8) % inks}
}

// patternID names the pattern of a band in a page: it holds no character that a
// reference could not.
func patternID(name string) string { return "tile-" + name }

// patterns are those of some bands, for an SVG's definitions.
type pattern struct {
	ID, Tile, Class, Name string
}

func patternsOf(bands []string) []pattern {
	list := make([]pattern, len(bands))
	for i, name := range bands {
		l := look(name)
		list[i] = pattern{patternID(name), l.Tile, fmt.Sprintf("ink%d", l.Ink), name}
	}
	return list
}

// looksJSON is what the timeline's script draws with.
func looksJSON(bands []string) string {
	list := make([]bandLook, len(bands))
	for i, name := range bands {
		list[i] = look(name)
	}
	text, err := json.Marshal(list)
	if err != nil {
		return "[]" // strings and numbers can be written
	}
	return string(text)
}
