package wspr

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func plainCalls() *rapid.Generator[string] {
	return rapid.StringMatching(`([A-Z]|[A-Z][0-9A-Z]|[0-9][A-Z])[0-9][A-Z]{1,3}`)
}

func compoundCalls() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		base := plainCalls().Draw(t, "base")
		if rapid.Bool().Draw(t, "prefix") {
			return rapid.StringMatching(`[0-9A-Z]{1,3}`).Draw(t, "front") + "/" + base
		}
		return base + "/" + rapid.StringMatching(`[0-9A-Z]|[1-9][0-9]`).Draw(t, "behind")
	})
}

// messages are all that can be sent.
func messages() *rapid.Generator[Message] {
	return rapid.Custom(func(t *rapid.T) Message {
		m := Message{
			Kind:     rapid.SampledFrom([]Kind{Type1, Type2, Type3}).Draw(t, "kind"),
			PowerDBm: rapid.SampledFrom(LegalPowers()).Draw(t, "power"),
			Callsign: plainCalls().Draw(t, "plain"),
		}
		if m.Kind == Type2 || m.Kind == Type3 && rapid.Bool().Draw(t, "compound") {
			m.Callsign = compoundCalls().Draw(t, "compound call")
		}
		switch m.Kind {
		case Type1:
			m.Locator = rapid.StringMatching(`[A-R]{2}[0-9]{2}`).Draw(t, "locator")
		case Type3:
			m.Locator = rapid.StringMatching(`[A-R]{2}[0-9]{2}[A-X]{2}`).Draw(t, "locator")
			m.Hash = Hash(m.Callsign)
		}
		return m
	})
}

// message → bits → symbols → bits → message.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := messages().Draw(t, "message")
		b, err := m.Pack()
		if err != nil {
			t.Fatal(err)
		}
		decoded, err := Decode(b.Symbols())
		if err != nil || decoded != b {
			t.Fatalf("%x became %x (%v)", b, decoded, err)
		}
		if m.Kind == Type3 {
			m.Callsign = ""
		}
		if got, err := Unpack(b); err != nil || got != m {
			t.Fatalf("%+v became %+v (%v)", m, got, err)
		}
	})
}

// Every prefix and suffix there is, with the shortest and the longest base.
func TestEveryAddOn(t *testing.T) {
	count := 0
	for v := range uint32(1 << 16) {
		for _, base := range []string{"Q1A", "QA7XYZ"} {
			callsign, ok := withAddOn(base, v)
			if !ok {
				continue
			}
			count++
			m := Message{Callsign: callsign, PowerDBm: 37, Kind: Type2}
			b, err := m.Pack()
			if err != nil {
				t.Fatal(err)
			}
			if got, err := Unpack(b); err != nil || got != m {
				t.Fatalf("%+v became %+v (%v)", m, got, err)
			}
		}
	}
	// 36 + 36² + 36³ prefixes, 36 + 90 suffixes.
	if want := 2 * (36 + 36*36 + 36*36*36 + 36 + 90); count != want {
		t.Errorf("%d compound call signs, want %d", count, want)
	}
}

// Whatever bits come: an error, or a message that packs into the same bits.
func FuzzUnpack(f *testing.F) {
	for _, text := range []string{"\xf8\x2c\x76\xc7\x5d\x57\x80", "\xb1\xb9\x2b\x11\xfb\x13\x00", "\xa3\x5b\xb1\x75\x50\xc8\x40", "\xff\xff\xff\xff\xff\xff\xc0"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var b Bits
		copy(b[:], data)
		m, err := Unpack(b)
		if err != nil {
			if reason(err) != NotAMessage || m != (Message{}) {
				t.Fatalf("%x: %+v, %v", b, m, err)
			}
			return
		}
		if again, err := m.Pack(); err != nil || again != b {
			t.Fatalf("%x is %+v, which packs to %x (%v)", b, m, again, err)
		}
	})
}

// The same with fields that are often readable, so that ordinary test runs
// meet many messages too.
func TestUnpackAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Uint32Range(0, 1<<28-1).Draw(t, "n")
		if rapid.Bool().Draw(t, "a call sign") {
			n = packCall(plainCalls().Draw(t, "call sign"))
		}
		field := rapid.Uint32Range(0, 1<<15-1).Draw(t, "field")
		b := join(n, field<<7|rapid.Uint32Range(0, 127).Draw(t, "power"))
		m, err := Unpack(b)
		if err != nil {
			return
		}
		if again, err := m.Pack(); err != nil || again != b {
			t.Fatalf("%x is %+v, which packs to %x (%v)", b, m, again, err)
		}
	})
}

// Symbols that no message gives are refused: any single change is noticed.
func FuzzDecode(f *testing.F) {
	m := Message{Callsign: "Q1ABC", Locator: "JO62", PowerDBm: 30, Kind: Type1}
	symbols, err := m.Symbols()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(symbols[:])
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		var s [162]byte
		copy(s[:], data)
		b, err := Decode(s)
		if err == nil && b.Symbols() != s || err != nil && reason(err) != NotAMessage {
			t.Fatalf("%v: %x (%v)", s, b, err)
		}
	})
}

func TestDecodeNoticesEveryChange(t *testing.T) {
	m := Message{Callsign: "QX9/QA7XYZ", PowerDBm: 10, Kind: Type2}
	symbols, err := m.Symbols()
	if err != nil {
		t.Fatal(err)
	}
	for i := range symbols {
		for change := byte(1); change < 4; change++ {
			wrong := symbols
			wrong[i] ^= change
			if b, err := Decode(wrong); reason(err) != NotAMessage {
				t.Fatalf("symbol %d changed to %d decodes to %x (%v)", i, wrong[i], b, err)
			}
		}
	}
}

// FuzzTransmissions: any text gives messages that can be sent, or a reason.
func FuzzTransmissions(f *testing.F) {
	f.Add("Q1ABC", "JO62", 30)
	f.Add("QX9/QA7XYZ", "fn42ax", 37)
	f.Add("Q1ABC/42", "JO62QM12", 61)
	f.Fuzz(func(t *testing.T, callsign, locator string, power int) {
		messages, err := Transmissions(callsign, locator, power)
		if err != nil {
			if reason(err) == 0 || len(err.Error()) > 600 {
				t.Fatalf("%q %q %d: %v", callsign, locator, power, err)
			}
			return
		}
		for _, m := range messages {
			symbols, err := m.Symbols()
			if err != nil {
				t.Fatalf("%+v: %v", m, err)
			}
			if _, err := Decode(symbols); err != nil {
				t.Fatalf("%+v: %v", m, err)
			}
		}
	})
}

// "The WSPR Coding Process": tones 12000/8192 = 1.46484375 Hz apart; the
// centre is half-way between the outer two, 4.3945 Hz apart.
func TestTones(t *testing.T) {
	const centre = 14097100.0
	for symbol, want := range []float64{-2.197265625, -0.732421875, 0.732421875, 2.197265625} {
		if got := ToneHz(centre, byte(symbol)) - centre; math.Abs(got-want) > 1e-9 {
			t.Errorf("symbol %d: %v Hz from the centre, want %v", symbol, got, want)
		}
	}
	if ToneSpacingHz != 1.46484375 || 4*ToneSpacingHz > OccupiedHz || OccupiedHz-4*ToneSpacingHz > 0.2 {
		t.Errorf("spacing %v, width %v", ToneSpacingHz, OccupiedHz)
	}
}

func BenchmarkSymbols(b *testing.B) {
	m := Message{Callsign: "QX9/QA7XYZ", PowerDBm: 10, Kind: Type2}
	for b.Loop() {
		if _, err := m.Symbols(); err != nil {
			b.Fatal(err)
		}
	}
}
