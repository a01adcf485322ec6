// Package band knows on which frequencies signals are looked for.
//
// A band is a name from the trade (40m), the dial frequency of an upper
// sideband receiver in hertz, and the audio window above it in which signals
// lie. The standard table is one embedded text file, a line per band with the
// source beside each figure; a network may replace or add bands. None of it
// is law: a licence is checked elsewhere, against its own segments.
//
// Hertz are whole numbers here, since every published figure is.
package band

import (
	"cmp"
	"fmt"
	"slices"
)

// AudioCentreHz is the distance from the dial to the middle of the usual
// window (common practice, no standard behind it).
const AudioCentreHz = 1500

// Band is a range of frequencies that receivers watch.
type Band struct {
	Name     string   // such as 40m: 1 to 16 of a-z, 0-9 and '-'
	DialHz   int64    // upper sideband dial
	WindowHz [2]int64 // lowest and highest audio frequency above the dial
}

// CentreHz is the radio frequency 1500 Hz above the dial, which is the middle
// of the usual window and the frequency to which an oscillator's uncertainty
// is applied.
func (b Band) CentreHz() float64 { return float64(b.DialHz + AudioCentreHz) }

// LowHz is the lowest radio frequency of the window.
func (b Band) LowHz() int64 { return b.DialHz + b.WindowHz[0] }

// HighHz is the highest radio frequency of the window.
func (b Band) HighHz() int64 { return b.DialHz + b.WindowHz[1] }

// Limits of what a band may be; anything outside is a slip of the pen.
const (
	longestName   = 16
	highestDialHz = 300_000_000_000 // beyond every band of the trade
	highestAudio  = 100_000         // hertz above the dial
)

// Check says what is wrong with b, or nil.
func (b Band) Check() error {
	switch {
	case !validName(b.Name):
		return fmt.Errorf("band name %q: use 1 to %d of a-z, 0-9 and '-', such as 40m", b.Name, longestName)
	case b.DialHz < 1 || b.DialHz > highestDialHz:
		return fmt.Errorf("band %s: dial of %d Hz is not between 1 Hz and 300 GHz; it is given in hertz, 40m for example is 7038600", b.Name, b.DialHz)
	case b.WindowHz[0] < 0 || b.WindowHz[1] > highestAudio || b.WindowHz[0] >= b.WindowHz[1]:
		return fmt.Errorf("band %s: window of %d to %d Hz must rise and lie within 0 to %d Hz above the dial; usual is 1400 to 1600", b.Name, b.WindowHz[0], b.WindowHz[1], highestAudio)
	}
	return nil
}

func validName(name string) bool {
	if name == "" || len(name) > longestName {
		return false
	}
	for _, c := range []byte(name) {
		if c != '-' && (c < '0' || c > '9') && (c < 'a' || c > 'z') {
			return false
		}
	}
	return true
}

// Table is a set of bands with different names. It is never changed after it
// was made, so it may be shared.
type Table struct{ bands []Band } // by frequency

// newTable makes a table of checked bands with different names.
func newTable(bands []Band) *Table {
	slices.SortFunc(bands, func(a, b Band) int {
		return cmp.Or(cmp.Compare(a.DialHz, b.DialHz), cmp.Compare(a.Name, b.Name))
	})
	return &Table{bands: bands}
}

// Lookup finds a band by its exact name.
func (t *Table) Lookup(name string) (Band, bool) {
	i := slices.IndexFunc(t.bands, func(b Band) bool { return b.Name == name })
	if i < 0 {
		return Band{}, false
	}
	return t.bands[i], true
}

// All lists the bands from the lowest frequency to the highest.
func (t *Table) All() []Band { return slices.Clone(t.bands) }

// With gives a table in which each override replaces the band of its name, or
// is added when there is none. The receiver stays as it is.
func (t *Table) With(overrides ...Band) (*Table, error) {
	bands := t.All()
	seen := map[string]bool{}
	for _, b := range overrides {
		if err := b.Check(); err != nil {
			return nil, err
		}
		if seen[b.Name] {
			return nil, fmt.Errorf("band %s is given twice: keep one of them", b.Name)
		}
		seen[b.Name] = true
		bands = slices.DeleteFunc(bands, func(old Band) bool { return old.Name == b.Name })
		bands = append(bands, b)
	}
	return newTable(bands), nil
}
