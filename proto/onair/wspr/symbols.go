package wspr

import "math/bits"

// ToneSpacingHz lies between the centres of neighbouring tones: one per
// symbol of 8192 periods at 12 kHz, 1.46484375 Hz.
const ToneSpacingHz = 12000.0 / 8192

// OccupiedHz is the width of the signal, four spacings rounded up.
const OccupiedHz = 6.0

// ToneHz is the frequency of a symbol (0 to 3) of a signal whose centre lies
// at centreHz, half-way between tones 1 and 2.
func ToneHz(centreHz float64, symbol byte) float64 {
	return centreHz + (float64(symbol)-1.5)*ToneSpacingHz
}

// symbolCount is twice the 50 bits of a message and 31 zeros that flush the
// encoder.
const symbolCount = 162

// The two taps of the convolutional code, constraint length 32, rate 1/2.
const (
	tap1 = 0xF2D05351
	tap2 = 0xE4613C47
)

// synchronisation is the low bit of each symbol, the same in every message
// ("The WSPR Coding Process").
const synchronisation = "110000001000111000100101111000000010010100000010110011010001101000011010101010010010110001101010001000001001001110110011010001110000010100110000000110101100011000"

// Symbols gives the 162 symbols of a message, each 0 to 3.
func (m Message) Symbols() ([162]byte, error) {
	b, err := m.Pack()
	if err != nil {
		return [162]byte{}, err
	}
	return b.Symbols(), nil
}

// Symbols codes the bits, interleaves them, and puts the synchronisation
// below: symbol = synchronisation + 2·data.
func (b Bits) Symbols() [162]byte {
	var symbols [symbolCount]byte
	register, next := uint32(0), interleaver()
	for i := range symbolCount / 2 {
		register = register<<1 | b.bit(i)
		for _, tap := range []uint32{tap1, tap2} {
			symbols[next()] = 2 * parity(register&tap)
		}
	}
	for i := range symbols {
		symbols[i] += synchronisation[i] - '0'
	}
	return symbols
}

// Decode undoes Bits.Symbols for symbols received without any error; others
// are refused with NotAMessage. It corrects nothing.
func Decode(symbols [162]byte) (Bits, error) {
	var b Bits
	register, next := uint32(0), interleaver()
	for i := range symbolCount / 2 {
		// The first tap contains the newest bit, so its output tells it.
		register <<= 1
		register |= uint32(symbols[next()]/2 ^ parity(register&tap1))
		if i < len(b)*8 {
			b[i/8] |= byte(register&1) << (7 - i%8)
		}
		next() // the second tap's place; the comparison below covers it
	}
	if b.Symbols() != symbols {
		return Bits{}, notAMessage("the symbols differ from those of any message")
	}
	return b, nil
}

// bit is bit i of the message, counted from the first, and 0 behind the end.
func (b Bits) bit(i int) uint32 {
	if i >= 8*len(b) {
		return 0
	}
	return uint32(b[i/8]>>(7-i%8)) & 1
}

func parity(word uint32) byte { return byte(bits.OnesCount32(word) & 1) }

// interleaver returns a function that gives, call by call, where each coded
// bit goes: the bit-reversed numbers of 0 to 255 that lie below 162.
func interleaver() func() int {
	i := -1
	return func() int {
		for {
			i++
			if j := int(bits.Reverse8(uint8(i))); j < symbolCount {
				return j
			}
		}
	}
}
