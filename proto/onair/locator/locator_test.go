package locator

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Places and their locators as they are reprinted in descriptions of the
// system (from memory), with the pairs recomputed from the definition.
func TestAtKnownPlaces(t *testing.T) {
	for _, place := range []struct {
		name string
		at   Position
		want string
	}{
		{"Munich", Position{48.14666, 11.60833}, "JN58TD"},
		{"Montevideo", Position{-34.91, -56.21166}, "GF15VC"},
		{"Washington DC", Position{38.92, -77.065}, "FM18LW"},
		{"Wellington", Position{-41.28333, 174.745}, "RE78IR"},
		{"Newington CT", Position{41.714775, -72.727260}, "FN31PR"},
	} {
		got, err := At(place.at, 6)
		if err != nil || got.String() != place.want {
			t.Errorf("%s: %v (%v), want %s", place.name, got, err, place.want)
		}
	}
}

// The definition (IARU Region 1 VHF Managers Handbook): corners of the grid,
// and the convention for latitude +90° and longitude +180°.
func TestAtEdges(t *testing.T) {
	for _, edge := range []struct {
		at         Position
		characters int
		want       string
	}{
		{Position{-90, -180}, 8, "AA00AA00"},
		{Position{0, 0}, 8, "JJ00AA00"},
		{Position{-1e-9, -1e-9}, 8, "II99XX99"},
		{Position{89.999999, 179.999999}, 8, "RR99XX99"},
		{Position{90, 0}, 4, "JR09"},
		{Position{0, 180}, 6, "AJ00AA"},
		{Position{90, 180}, 6, "AR09AX"},
	} {
		got, err := At(edge.at, edge.characters)
		if err != nil || got.String() != edge.want {
			t.Errorf("At(%v, %d) = %v (%v), want %s", edge.at, edge.characters, got, err, edge.want)
		}
	}
}

func TestAtRefuses(t *testing.T) {
	for _, p := range []Position{{91, 0}, {-90.001, 0}, {0, 180.001}, {0, -181}, {math.NaN(), 0}, {0, math.NaN()}, {math.Inf(1), 0}} {
		if got, err := At(p, 6); err == nil {
			t.Errorf("At(%v) = %v, want an error", p, got)
		}
	}
	for _, n := range []int{-2, 0, 2, 5, 10} {
		if got, err := At(Position{}, n); err == nil {
			t.Errorf("At with %d characters = %v, want an error", n, got)
		}
	}
}

func TestParse(t *testing.T) {
	for in, want := range map[string]string{
		"jo62": "JO62", "IP62oa": "IP62OA", "Jo62Qm12": "JO62QM12", "AA00aa00": "AA00AA00", "RR99XX99": "RR99XX99",
	} {
		got, err := Parse(in)
		if err != nil || got.String() != want || got.Len() != len(want) {
			t.Errorf("Parse(%q) = %v (%v), want %s", in, got, err, want)
		}
	}
}

func TestParseNamesTheWrongCharacter(t *testing.T) {
	for _, wrong := range []struct {
		text      string
		character int
		want      string
	}{
		{"", 0, "4, 6 or 8"},
		{"JO6", 0, "4, 6 or 8"},
		{"JO62QM123", 0, "4, 6 or 8"},
		{strings.Repeat("JO", 1<<20), 0, "4, 6 or 8"},
		{"SO62", 1, "A to R (field)"},
		{"J062", 2, "A to R (field)"},
		{"JOA2", 3, "0 to 9 (square)"},
		{"JO6é", 0, "4, 6 or 8"},
		{"JO6 ", 4, "0 to 9 (square)"},
		{"JO62YM", 5, "A to X (subsquare)"},
		{"JO62Q7", 6, "A to X (subsquare)"},
		{"JO62QMa2", 7, "0 to 9 (extended square)"},
		{"JO62QM1z", 8, "0 to 9 (extended square)"},
	} {
		_, err := Parse(wrong.text)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("Parse(%.20q): %v, want an *Error", wrong.text, err)
			continue
		}
		if e.Character != wrong.character || !strings.Contains(err.Error(), wrong.want) || len(err.Error()) > 200 {
			t.Errorf("Parse(%.20q): character %d, %q; want character %d, %q", wrong.text, e.Character, err, wrong.character, wrong.want)
		}
	}
}

// Centres by arithmetic from the sizes of the cells in the definition.
func TestCentre(t *testing.T) {
	for text, want := range map[string]Position{
		"JJ00":     {0.5, 1},
		"AA00":     {-89.5, -179},
		"JJ00AA":   {1.25 / 60, 2.5 / 60},
		"JO62QM":   {52.5 + 1.25/60, 13 + 1./3 + 2.5/60},
		"JJ00AA00": {0.125 / 60, 0.25 / 60},
		"RR99XX99": {90 - 0.125/60, 180 - 0.25/60},
	} {
		l, err := Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		got := l.Centre()
		if math.Abs(got.Latitude-want.Latitude) > 1e-12 || math.Abs(got.Longitude-want.Longitude) > 1e-12 {
			t.Errorf("%s: %v, want %v", text, got, want)
		}
	}
	if got := (Locator{}).Centre(); got != (Position{}) {
		t.Errorf("the zero Locator: %v, want the middle of the map", got)
	}
}

func TestTruncate(t *testing.T) {
	l, err := Parse("JO62QM12")
	if err != nil {
		t.Fatal(err)
	}
	for n, want := range map[int]string{-1: "JO62", 0: "JO62", 4: "JO62", 5: "JO62", 6: "JO62QM", 7: "JO62QM", 8: "JO62QM12", 12: "JO62QM12"} {
		if got := l.Truncate(n).String(); got != want {
			t.Errorf("Truncate(%d) = %s, want %s", n, got, want)
		}
	}
	if got := l.Truncate(4).Truncate(8).String(); got != "JO62" {
		t.Errorf("a short one grew to %s", got)
	}
}

// Every position lies in the cell of its locator, whose centre has the same
// locator; each longer locator lies in the shorter.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Position{rapid.Float64Range(-90, 90).Draw(t, "latitude"), rapid.Float64Range(-180, 179.9999).Draw(t, "longitude")}
		cell := Position{1, 2}
		for _, n := range []int{4, 6, 8} {
			l, err := At(p, n)
			if err != nil {
				t.Fatal(err)
			}
			centre := l.Centre()
			if math.Abs(centre.Latitude-p.Latitude) > cell.Latitude/2+1e-9 || math.Abs(centre.Longitude-p.Longitude) > cell.Longitude/2+1e-9 {
				t.Fatalf("%v is not in %v about %v", p, l, centre)
			}
			again, err := At(centre, n)
			if err != nil || again != l {
				t.Fatalf("the centre of %v is in %v (%v)", l, again, err)
			}
			parsed, err := Parse(strings.ToLower(l.String()))
			if err != nil || parsed != l {
				t.Fatalf("%v reads back as %v (%v)", l, parsed, err)
			}
			eight, err := At(p, 8)
			if err != nil || eight.Truncate(n) != l {
				t.Fatalf("%v cut to %d is not %v (%v)", eight, n, l, err)
			}
			cell = Position{cell.Latitude / 24, cell.Longitude / 24}
			if n == 6 {
				cell = Position{0.25 / 60, 0.5 / 60}
			}
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"JO62", "jo62qm", "RR99XX99", "", "JO6", "SS00", "JO62\x80\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := Parse(s)
		if err != nil {
			if l != (Locator{}) || err.Error() == "" {
				t.Fatalf("Parse(%q) = %v with error %q", s, l, err)
			}
			return
		}
		if l.String() != strings.ToUpper(s) {
			t.Fatalf("Parse(%q) = %v", s, l)
		}
		if again, err := At(l.Centre(), l.Len()); err != nil || again != l {
			t.Fatalf("the centre of %v is in %v (%v)", l, again, err)
		}
	})
}
