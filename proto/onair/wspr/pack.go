package wspr

import (
	"strings"

	"lamplighter/proto/onair/locator"
)

// Bits are the 50 bits of a message from the highest bit of the first byte
// on; the low six bits of the last byte are zero.
type Bits [7]byte

// Pack gives the 50 bits of a message. A type 3 without call sign, such as
// Unpack returns, is packed with its Hash, any other with the hash of the
// call sign. Errors are *Error.
func (m Message) Pack() (Bits, error) {
	if err := m.Check(); err != nil {
		return Bits{}, err
	}
	m.Callsign, m.Locator = strings.ToUpper(m.Callsign), strings.ToUpper(m.Locator)
	switch m.Kind {
	case Type1:
		return m.packType1(), nil
	case Type2:
		return m.packType2(), nil
	}
	return m.packType3(), nil
}

// Check says why a message cannot be sent, or nil.
func (m Message) Check() error {
	if m.Kind < Type1 || m.Kind > Type3 {
		return notAMessage("type %d, of 1, 2 and 3", m.Kind)
	}
	if m.Kind != Type3 || m.Callsign != "" {
		if err := CheckCallsign(m.Callsign); err != nil {
			return err
		}
	}
	switch {
	case m.Kind == Type1 && Compound(m.Callsign):
		return refuse(CallsignShape, m.Callsign)
	case m.Kind == Type2 && !Compound(m.Callsign):
		return refuse(CallsignAddOn, m.Callsign)
	case m.Hash > hashMask:
		return notAMessage("hash %d has more than 15 bits", m.Hash)
	}
	if err := m.checkLocator(); err != nil {
		return err
	}
	return checkPower(m.PowerDBm)
}

// checkLocator holds the locator to the length that its type carries.
func (m Message) checkLocator() error {
	carried := map[Kind]int{Type1: 4, Type3: 6}[m.Kind]
	if len(m.Locator) != carried {
		return notAMessage("type %d carries %d characters of locator, not %d", m.Kind, carried, len(m.Locator))
	}
	if carried == 0 {
		return nil
	}
	if _, err := locator.Parse(m.Locator); err != nil {
		return wrongLocator(m.Locator, err)
	}
	return nil
}

// packType1: M = locator·128 + power + 64 ("The WSPR Coding Process").
func (m Message) packType1() Bits {
	return join(packCall(m.Callsign), packSquare(m.Locator)<<7+uint32(m.PowerDBm)+64)
}

// packType2: N is the base call sign, M = add-on·128 + power + 1 + n + 64. An
// add-on from 32768 on is sent less that, with n = 1 (from memory).
func (m Message) packType2() Bits {
	addOn, base, _ := splitCompound(m.Callsign)
	n := addOn >> 15
	return join(packCall(base), addOn&0x7fff<<7+uint32(m.PowerDBm)+1+n+64)
}

// packType3: N is the locator with its first character moved to the end, in
// the form of a call sign, M = hash·128 + 64 − (power + 1) (from memory).
func (m Message) packType3() Bits {
	hash := m.Hash
	if m.Callsign != "" {
		hash = Hash(m.Callsign)
	}
	return join(packSix(m.Locator[1:]+m.Locator[:1]), uint32(hash)<<7+64-uint32(m.PowerDBm)-1)
}

// packCall gives the 28 bits N of a plain call sign: brought to six
// characters with the digit third, spaces before and after.
func packCall(callsign string) uint32 {
	if digitOf(callsign) == 1 {
		callsign = " " + callsign
	}
	return packSix(callsign + strings.Repeat(" ", 6-len(callsign)))
}

// packSix gives N of six characters: one of 37 (0-9, A-Z, space), one of 36,
// a digit, three of 27 (A-Z, space).
func packSix(text string) uint32 {
	n := value(text[0])
	n = 36*n + value(text[1])
	n = 10*n + value(text[2])
	for i := 3; i < 6; i++ {
		n = 27*n + value(text[i]) - value('A')
	}
	return n
}

// packSquare gives the 15 bits of a four-character locator: longitude counted
// westwards from RR99, then latitude, in squares.
func packSquare(square string) uint32 {
	field1, field2 := uint32(square[0]-'A'), uint32(square[1]-'A')
	digit1, digit2 := uint32(square[2]-'0'), uint32(square[3]-'0')
	return (179-10*field1-digit1)*180 + 10*field2 + digit2
}

// join puts N (28 bits) and M (22 bits) in front of six zero bits.
func join(n, m uint32) Bits {
	word := (uint64(n)<<22 | uint64(m)) << 6
	var b Bits
	for i := range b {
		b[i] = byte(word >> (48 - 8*i))
	}
	return b
}
