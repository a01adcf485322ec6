package wspr

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"testing"
)

// vectors were computed with an independent encoder that agreed with the
// published sequences for type 1; types 2 and 3 have no published example.
type vectors struct {
	Sync       string `json:"sync"`
	Interleave []int  `json:"interleave_dest"`
	Vectors    []struct {
		Type    Kind   `json:"type"`
		Call    string `json:"call"`
		Grid    string `json:"grid"`
		Power   int    `json:"power_dbm"`
		N       uint32 `json:"n"`
		M       uint32 `json:"m"`
		Bytes   string `json:"bytes_hex"`
		Symbols string `json:"symbols"`
		Hash    uint16 `json:"hash15"`
	} `json:"vectors"`
}

func readVectors(t *testing.T) vectors {
	t.Helper()
	text, err := os.ReadFile("testdata/wspr-examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var v vectors
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	if len(v.Vectors) < 12 || len(v.Interleave) != symbolCount {
		t.Fatalf("%d vectors, %d places", len(v.Vectors), len(v.Interleave))
	}
	return v
}

func digits(symbols [162]byte) string {
	var text [162]byte
	for i, s := range symbols {
		text[i] = '0' + s
	}
	return string(text[:])
}

func TestVectors(t *testing.T) {
	for _, v := range readVectors(t).Vectors {
		m := Message{Callsign: v.Call, Locator: v.Grid, PowerDBm: v.Power, Kind: v.Type, Hash: v.Hash}
		b, err := m.Pack()
		if err != nil {
			t.Errorf("%v: %v", m, err)
			continue
		}
		if n, rest, ok := b.split(); n != v.N || rest != v.M || !ok {
			t.Errorf("%v: N %d, M %d; want %d, %d", m, n, rest, v.N, v.M)
		}
		if got := hex.EncodeToString(b[:]); got != v.Bytes {
			t.Errorf("%v: bits %s, want %s", m, got, v.Bytes)
		}
		symbols := b.Symbols()
		if got := digits(symbols); got != v.Symbols {
			t.Errorf("%v: symbols\n%s, want\n%s", m, got, v.Symbols)
		}
		if again, err := Decode(symbols); err != nil || again != b {
			t.Errorf("%v: decoded to %x (%v)", m, again, err)
		}
		if v.Type == Type3 {
			if got := Hash(v.Call); got != v.Hash {
				t.Errorf("hash of %s: %d, want %d", v.Call, got, v.Hash)
			}
			m.Callsign = "" // not sent
		}
		if got, err := Unpack(b); err != nil || got != m {
			t.Errorf("unpacked %+v (%v), want %+v", got, err, m)
		}
	}
}

// The tables of "The WSPR Coding Process".
func TestSynchronisationAndInterleaving(t *testing.T) {
	v := readVectors(t)
	if synchronisation != v.Sync {
		t.Errorf("synchronisation\n%s, want\n%s", synchronisation, v.Sync)
	}
	next, used := interleaver(), [symbolCount]bool{}
	for i, want := range v.Interleave {
		got := next()
		if got != want || used[got] {
			t.Errorf("coded bit %d goes to %d, want %d", i, got, want)
		}
		used[got] = true
	}
	// The note's own examples of the reversal: 1 → 128, 13 → 176 (beyond the end).
	next = interleaver()
	if next() != 0 || next() != 128 {
		t.Error("place 1 is not 128")
	}
}

// "The WSPR Coding Process": the largest count of call signs, and the ends of
// the locators.
func TestFieldRanges(t *testing.T) {
	if got := packSix(" Z9   "); got != 262177560-1 { // 37·36·10·27³ of them
		t.Errorf("the last call sign is %d", got)
	}
	for square, want := range map[string]uint32{"AA00": 32220, "RR99": 179} {
		if got := packSquare(square); got != want || unpackSquare(want) != square {
			t.Errorf("%s: %d, want %d", square, got, want)
		}
	}
}

// The self-test values printed in lookup3.c (public domain, 2006).
func TestLookup3(t *testing.T) {
	const years = "Four score and seven years ago"
	for _, c := range []struct {
		text    string
		initial uint32
		want    uint32
	}{
		{"", 0, 0xdeadbeef},
		{"", 0xdeadbeef, 0xbd5b7dde},
		{years, 0, 0x17770551},
		{years, 1, 0xcd628161},
	} {
		if got := lookup3(c.text, c.initial); got != c.want {
			t.Errorf("%q from %x: %08x, want %08x", c.text, c.initial, got, c.want)
		}
	}
}
