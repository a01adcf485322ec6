package wspr

import "math/bits"

// hashInitial starts the hash of a call sign (from memory).
const hashInitial = 146

// hashMask keeps what is sent of it.
const hashMask = 0x7fff

// Hash is what a message of type 3 sends of the call sign, in capitals and
// with its add-on: the low 15 bits of lookup3 over its characters.
func Hash(callsign string) uint16 { return uint16(lookup3(callsign, hashInitial) & hashMask) }

// lookup3 is the hash of that name (public domain, 2006) in its form for
// bytes read low end first: three words take in twelve bytes at a time; the
// last one to twelve, filled up with zeros, go through another, final mix.
func lookup3(text string, initial uint32) uint32 {
	a := 0xdeadbeef + uint32(len(text)) + initial
	b, c := a, a
	for len(text) > 12 {
		a, b, c = mix(a+word(text, 0), b+word(text, 4), c+word(text, 8))
		text = text[12:]
	}
	if text == "" {
		return c
	}
	return finish(a+word(text, 0), b+word(text, 4), c+word(text, 8))
}

// word is up to four bytes from an offset on, the first one lowest.
func word(text string, offset int) uint32 {
	w := uint32(0)
	for i := range 4 {
		if offset+i < len(text) {
			w |= uint32(text[offset+i]) << (8 * i)
		}
	}
	return w
}

// mix stirs three words reversibly between blocks.
func mix(a, b, c uint32) (uint32, uint32, uint32) {
	for _, turn := range [2][3]int{{4, 6, 8}, {16, 19, 4}} {
		a = (a - c) ^ bits.RotateLeft32(c, turn[0])
		c += b
		b = (b - a) ^ bits.RotateLeft32(a, turn[1])
		a += c
		c = (c - b) ^ bits.RotateLeft32(b, turn[2])
		b += a
	}
	return a, b, c
}

// finish stirs the last block into the word that is the hash.
func finish(a, b, c uint32) uint32 {
	c = (c ^ b) - bits.RotateLeft32(b, 14)
	a = (a ^ c) - bits.RotateLeft32(c, 11)
	b = (b ^ a) - bits.RotateLeft32(a, 25)
	c = (c ^ b) - bits.RotateLeft32(b, 16)
	a = (a ^ c) - bits.RotateLeft32(c, 4)
	b = (b ^ a) - bits.RotateLeft32(a, 14)
	return (c ^ b) - bits.RotateLeft32(b, 24)
}
