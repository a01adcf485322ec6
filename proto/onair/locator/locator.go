// Package locator turns Maidenhead locators into places, and knows what
// follows from two places, or from a place and an instant: distance, bearing,
// and how high the sun stands.
//
// A locator names a cell on the globe by pairs of characters, longitude
// first, each pair dividing the cell of the one before (IARU Region 1 VHF
// Managers Handbook; public descriptions of the system of 1980):
//
//	pair 1  field       letters A-R   20°   × 10°
//	pair 2  square      digits  0-9    2°   ×  1°
//	pair 3  subsquare   letters A-X    5′   ×  2.5′
//	pair 4  extended    digits  0-9    0.5′ ×  0.25′
//
// A locator's position is the centre of its cell. Latitude +90° belongs to
// the top row and longitude +180° is the same as −180° (convention, no
// source). Two, three and four pairs are used here; letters may be written in
// either case and are kept as capitals.
package locator

import (
	"fmt"
	"math"
)

// Position is a place on the globe in degrees, north and east positive.
type Position struct{ Latitude, Longitude float64 }

// Locator is a checked Maidenhead locator of 4, 6 or 8 characters, made by
// Parse or At. Locators can be compared with ==. The zero Locator has no
// characters; it stands for "none", and its cell is the whole globe.
type Locator struct{ text string }

// pair describes one pair of characters.
type pair struct {
	name  string
	base  byte // the first character
	count int  // how many there are
}

var pairs = [...]pair{
	{"field", 'A', 18},
	{"square", '0', 10},
	{"subsquare", 'A', 24},
	{"extended square", '0', 10},
}

// Error says what is wrong with the text of a locator.
type Error struct {
	Text      string // as given, shortened if it is long
	Character int    // the wrong character, counted from 1; 0 when the length is wrong
	Want      string // what would be right
}

func (e *Error) Error() string {
	if e.Character == 0 {
		return fmt.Sprintf("locator %q: %s", e.Text, e.Want)
	}
	return fmt.Sprintf("locator %q: character %d must be %s", e.Text, e.Character, e.Want)
}

// Parse reads a locator of 4, 6 or 8 characters in any case.
func Parse(s string) (Locator, error) {
	if n := len(s); n != 4 && n != 6 && n != 8 {
		return Locator{}, &Error{Text: shorten(s), Want: "a locator has 4, 6 or 8 characters, such as JO62, JO62QM or JO62QM12"}
	}
	text := []byte(s)
	for i, c := range text {
		p := pairs[i/2]
		if p.base == 'A' && c >= 'a' && c <= 'z' {
			c -= 'a' - 'A'
		}
		last := p.base + byte(p.count-1)
		if c < p.base || c > last {
			return Locator{}, &Error{Text: s, Character: i + 1, Want: fmt.Sprintf("%c to %c (%s)", p.base, last, p.name)}
		}
		text[i] = c
	}
	return Locator{string(text)}, nil
}

// shorten keeps an error readable when the text from outside is long.
func shorten(s string) string {
	const most = 20
	if len(s) <= most {
		return s
	}
	return s[:most] + "..."
}

// String is the locator in capitals, such as JO62QM12.
func (l Locator) String() string { return l.text }

// Len is the number of characters: 4, 6 or 8, and 0 for the zero Locator.
func (l Locator) Len() int { return len(l.text) }

// Truncate is the larger cell named by the first n characters, n being 4, 6
// or 8. A locator that is not longer stays as it is; another n is taken as
// the next smaller of the three, or as 4.
func (l Locator) Truncate(n int) Locator {
	n = max(4, n-n%2)
	if n >= len(l.text) {
		return l
	}
	return Locator{l.text[:n]}
}

// Centre is the middle of the cell.
func (l Locator) Centre() Position {
	// Count in the smallest cells, of 1/120° by 1/240°, doubled so that the
	// middle of one is whole.
	east, north, size := 0, 0, 2*18*10*24*10
	cell := size
	for i := 0; i < len(l.text); i += 2 {
		p := pairs[i/2]
		cell /= p.count
		east += int(l.text[i]-p.base) * cell
		north += int(l.text[i+1]-p.base) * cell
	}
	return Position{
		Latitude:  float64(2*north+cell-size) / (4 * 240),
		Longitude: float64(2*east+cell-size) / (4 * 120),
	}
}

// At is the locator of 4, 6 or 8 characters whose cell contains p. Latitude
// must lie within ±90° and longitude within ±180°.
func At(p Position, characters int) (Locator, error) {
	if characters != 4 && characters != 6 && characters != 8 {
		return Locator{}, fmt.Errorf("a locator of %d characters: only 4, 6 and 8 exist here", characters)
	}
	onGlobe := math.Abs(p.Latitude) <= 90 && math.Abs(p.Longitude) <= 180 // so written, NaN is not
	if !onGlobe {
		return Locator{}, fmt.Errorf("position %g, %g: latitude must lie within ±90° and longitude within ±180°", p.Latitude, p.Longitude)
	}
	const cells = 18 * 10 * 24 * 10 // along each axis
	north := min(int((p.Latitude+90)*240), cells-1)
	east := int((p.Longitude+180)*120) % cells
	var text [8]byte
	cell := cells
	for i, p := range pairs {
		cell /= p.count
		text[2*i] = p.base + byte(east/cell)
		text[2*i+1] = p.base + byte(north/cell)
		east %= cell
		north %= cell
	}
	return Locator{string(text[:characters])}, nil
}
