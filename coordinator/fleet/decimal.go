package fleet

import (
	"fmt"
	"math/big"
	"math/bits"
	"strconv"
	"strings"
)

// Decimal is an exact number that is not negative, as it stands in the fleet
// file: 0.07 is 7/100. Two equal Decimals compare equal with ==; the zero value
// is 0.
type Decimal struct {
	num, den int64 // in lowest terms; 0/0 for zero
}

// Digits that a Decimal may have before and after the point.
const (
	maxWholeDigits    = 9
	maxFractionDigits = 9
)

// Ratio returns num/den. It panics when num is negative or den not positive:
// both come from the program, never from a file.
func Ratio(num, den int64) Decimal {
	if num < 0 || den <= 0 {
		panic("fleet: a ratio is not negative and has a positive denominator")
	}
	if num == 0 {
		return Decimal{}
	}
	g := gcd(num, den)
	return Decimal{num / g, den / g}
}

// Whole returns n as a Decimal.
func Whole(n int64) Decimal { return Ratio(n, 1) }

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// ParseDecimal reads digits with an optional fraction, such as 12 or 0.07; no
// sign, no exponent, at most nine digits on either side of the point.
func ParseDecimal(text string) (Decimal, error) {
	whole, fraction, point := strings.Cut(text, ".")
	if whole == "" || point && fraction == "" || !digits(whole) || !digits(fraction) {
		return Decimal{}, fmt.Errorf("%.40q is not a plain decimal number such as 12 or 0.07", text)
	}
	whole = strings.TrimLeft(whole, "0")
	fraction = strings.TrimRight(fraction, "0")
	if len(whole) > maxWholeDigits || len(fraction) > maxFractionDigits {
		return Decimal{}, fmt.Errorf("%.40q has too many digits: at most %d before and %d after the point",
			text, maxWholeDigits, maxFractionDigits)
	}
	num, err := strconv.ParseInt("0"+whole+fraction, 10, 64)
	if err != nil {
		return Decimal{}, err
	}
	den := int64(1)
	for range fraction {
		den *= 10
	}
	return Ratio(num, den), nil
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// NumDen returns numerator and denominator in lowest terms; 0/1 for zero.
func (d Decimal) NumDen() (num, den int64) {
	if d.num == 0 {
		return 0, 1
	}
	return d.num, d.den
}

// IsZero tells whether d is 0.
func (d Decimal) IsZero() bool { return d.num == 0 }

// Float64 returns the nearest float64.
func (d Decimal) Float64() float64 {
	num, den := d.NumDen()
	const exact = 1 << 53 // whole numbers up to here are float64s, and so division rounds once
	if num <= exact && den <= exact {
		return float64(num) / float64(den)
	}
	nearest, _ := big.NewRat(num, den).Float64()
	return nearest
}

// Cmp returns -1, 0 or 1 as d is less than, equal to or greater than e.
func (d Decimal) Cmp(e Decimal) int {
	dn, dd := d.NumDen()
	en, ed := e.NumDen()
	lh, ll := bits.Mul64(uint64(dn), uint64(ed))
	rh, rl := bits.Mul64(uint64(en), uint64(dd))
	switch {
	case lh < rh || lh == rh && ll < rl:
		return -1
	case lh == rh && ll == rl:
		return 0
	}
	return 1
}

// Min returns the smaller of the two.
func (d Decimal) Min(e Decimal) Decimal {
	if e.Cmp(d) < 0 {
		return e
	}
	return d
}

// MulFloor returns floor(d·n) for n ≥ 0. It panics when the result does not fit.
func (d Decimal) MulFloor(n int64) int64 {
	quotient, _ := d.mul(n)
	return quotient
}

// MulCeil returns ceil(d·n) for n ≥ 0. It panics when the result does not fit.
func (d Decimal) MulCeil(n int64) int64 {
	quotient, rest := d.mul(n)
	if rest {
		quotient++
	}
	return quotient
}

func (d Decimal) mul(n int64) (quotient int64, rest bool) {
	if n < 0 {
		panic("fleet: a Decimal is multiplied by a number that is not negative")
	}
	num, den := d.NumDen()
	high, low := bits.Mul64(uint64(num), uint64(n))
	q, r := bits.Div64(high, low, uint64(den)) // panics when q needs more than 64 bits
	if q >= 1<<63-1 {
		panic("fleet: product of a Decimal out of range")
	}
	return int64(q), r != 0
}

// String returns the number as decimal digits where they end, else as a ratio.
func (d Decimal) String() string {
	num, den := d.NumDen()
	scale, places := int64(1), 0
	for places <= maxFractionDigits && scale%den != 0 {
		scale *= 10
		places++
	}
	if scale%den != 0 {
		return fmt.Sprintf("%d/%d", num, den)
	}
	high, low := bits.Mul64(uint64(num), uint64(scale/den))
	if high != 0 {
		return fmt.Sprintf("%d/%d", num, den)
	}
	text := strconv.FormatUint(low, 10)
	if places == 0 {
		return text
	}
	if len(text) <= places {
		text = strings.Repeat("0", places-len(text)+1) + text
	}
	return text[:len(text)-places] + "." + text[len(text)-places:]
}

// MarshalText returns what String returns.
func (d Decimal) MarshalText() ([]byte, error) { return []byte(d.String()), nil }
