package synth

import "math"

// MaxDenominator is the largest c of a ratio a + b/c (AN619).
const MaxDenominator = 1<<20 - 1

// Ratio is a + b/c, with 0 ≤ b < c ≤ MaxDenominator.
type Ratio struct{ A, B, C uint32 }

// Nearest gives the ratio that is nearest to x, which lies between 1 and 4096.
//
// It walks the continued fraction of what is behind the point. The best
// fraction with a bounded denominator is the last convergent within the bound,
// or the last one before it combined with as many of its successor as fit.
func Nearest(x float64) Ratio {
	whole, rest := math.Modf(x)
	previous, last := fraction{1, 0}, fraction{0, 1}
	for part := rest; part > 1e-9; {
		var term float64
		term, part = math.Modf(1 / part)
		next := previous.plus(last, term)
		if next.c > MaxDenominator {
			fit := math.Floor((MaxDenominator - previous.c) / last.c)
			last = nearer(rest, previous.plus(last, fit), last)
			break
		}
		previous, last = last, next
	}
	if last.b == last.c {
		return Ratio{uint32(whole) + 1, 0, 1}
	}
	return Ratio{uint32(whole), uint32(last.b), uint32(last.c)}
}

// fraction is b/c in whole numbers.
type fraction struct{ b, c float64 }

func (f fraction) plus(g fraction, times float64) fraction {
	return fraction{f.b + times*g.b, f.c + times*g.c}
}

func nearer(x float64, f, g fraction) fraction {
	if math.Abs(f.b/f.c-x) < math.Abs(g.b/g.c-x) {
		return f
	}
	return g
}

// Value is a + b/c.
func (r Ratio) Value() float64 { return float64(r.A) + float64(r.B)/float64(r.C) }

// Parameters are a ratio as the registers hold it.
type Parameters struct{ P1, P2, P3 uint32 }

// Parameters follows AN619: P1 = 128a + ⌊128b/c⌋ − 512, P2 = 128b − c·⌊128b/c⌋,
// P3 = c.
func (r Ratio) Parameters() Parameters {
	carry := 128 * r.B / r.C
	return Parameters{P1: 128*r.A + carry - 512, P2: 128*r.B - r.C*carry, P3: r.C}
}

// Registers gives the eight bytes of a ratio in the order of their addresses
// (layout from memory of AN619's register map). The top of the third byte is
// left for what the output dividers keep there.
func (p Parameters) Registers() [8]byte {
	return [8]byte{
		byte(p.P3 >> 8), byte(p.P3),
		byte(p.P1 >> 16 & 3), byte(p.P1 >> 8), byte(p.P1),
		byte(p.P3>>16&15)<<4 | byte(p.P2>>16&15), byte(p.P2 >> 8), byte(p.P2),
	}
}
