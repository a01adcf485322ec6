package wspr

import (
	"slices"
	"strings"
)

// Unpack reads 50 bits back into the message they carry. Bits that Pack never
// gives are refused with NotAMessage, so packing the result gives b again. Of
// the call sign of a type 3 only the Hash is known.
func Unpack(b Bits) (Message, error) {
	n, rest, ok := b.split()
	if !ok {
		return Message{}, notAMessage("there are bits behind the fiftieth")
	}
	kind, power, nadd := readPower(rest)
	if !slices.Contains(legalPowers, power) {
		return Message{}, notAMessage("power field %d is not in use", rest&0x7f)
	}
	six, ok := unpackSix(n)
	if !ok {
		return Message{}, notAMessage("%d is beyond the last call sign", n)
	}
	if callsign := strings.TrimSpace(six); kind != Type3 && !(plain(callsign) && packCall(callsign) == n) {
		return Message{}, notAMessage("%q is not a padded call sign", six)
	}
	m := Message{Kind: kind, PowerDBm: power}
	switch kind {
	case Type1:
		ok = m.readType1(six, rest>>7)
	case Type2:
		ok = m.readType2(six, rest>>7+nadd<<15)
	case Type3:
		m.Locator, m.Hash = six[5:]+six[:5], uint16(rest>>7)
	}
	if !ok {
		return Message{}, notAMessage("%q with field %d is no call sign of type %d", six, rest>>7, kind)
	}
	if err := m.Check(); err != nil {
		return Message{}, notAMessage("%w", err)
	}
	return m, nil
}

// readPower tells the types apart by the low seven bits of M (from memory):
// below 64 it is type 3; else less 64, a last digit of 0, 3 or 7 is type 1,
// and any other a power that was raised by one, or by two when n is 1.
func readPower(rest uint32) (kind Kind, power int, nadd uint32) {
	t := int(rest&0x7f) - 64
	if t < 0 {
		return Type3, -t - 1, 0
	}
	switch t % 10 {
	case 0, 3, 7:
		return Type1, t, 0
	case 2, 5, 9:
		return Type2, t - 2, 1
	}
	return Type2, t - 1, 0
}

func (m *Message) readType1(six string, square uint32) bool {
	m.Callsign = strings.TrimSpace(six)
	m.Locator = unpackSquare(square)
	return m.Locator != ""
}

func (m *Message) readType2(six string, addOn uint32) (ok bool) {
	m.Callsign, ok = withAddOn(strings.TrimSpace(six), addOn)
	return ok
}

// unpackSix undoes packSix.
func unpackSix(n uint32) (string, bool) {
	var text [6]byte
	for i := 5; i > 2; i-- {
		text[i] = "ABCDEFGHIJKLMNOPQRSTUVWXYZ "[n%27]
		n /= 27
	}
	text[2], n = character(n%10), n/10
	text[1], n = character(n%36), n/36
	if n > 36 {
		return "", false
	}
	text[0] = character(n)
	return string(text[:]), true
}

// unpackSquare undoes packSquare; "" beyond the last square.
func unpackSquare(square uint32) string {
	if square >= 180*180 {
		return ""
	}
	east, north := 179-square/180, square%180
	return string([]byte{
		'A' + byte(east/10), 'A' + byte(north/10), '0' + byte(east%10), '0' + byte(north%10),
	})
}

// split undoes join; it is false when the six low bits are not zero.
func (b Bits) split() (n, m uint32, ok bool) {
	word := uint64(0)
	for _, c := range b {
		word = word<<8 | uint64(c)
	}
	return uint32(word >> 28), uint32(word >> 6 & (1<<22 - 1)), word&0x3f == 0
}
