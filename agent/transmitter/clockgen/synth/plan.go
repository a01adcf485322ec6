package synth

import (
	"fmt"
	"math"
)

// What the part can do, in hertz (AN619).
const (
	lowestOscillator  = 600e6
	highestOscillator = 900e6
	highestOutput     = 200e6
	mostR             = 128
)

// lowestDivided is what the output divider delivers at least; R does the rest.
// AN619 allows 500 kHz and dividers to 2048. At 1 MHz they stay under 900,
// which other editions give as the limit (from memory).
const lowestDivided = 1e6

// LowestHz is the lowest frequency that can be made.
const LowestHz = lowestDivided / mostR

// Crystal is the reference: its nominal frequency, and by how much it is faster.
type Crystal struct {
	Hz  int64 // 10 to 40 MHz, so that the oscillator is 15 to 90 times as fast
	PPB int64 // parts per billion
}

func (c Crystal) hz() float64 { return float64(c.Hz) * (1 + float64(c.PPB)/1e9) }

// Plan is what stays the same during a transmission.
type Plan struct {
	Crystal Crystal
	Divider uint32 // even
	R       uint32 // a power of two
}

// Tones of one transmission lie within three spacings of 12000/8192 Hz of each
// other. Each must be within maxError of where it should be, and its distance
// from its neighbour within maxSpacingError of the spacing.
const (
	spacingHz       = 12000.0 / 8192
	spacings        = 3
	maxError        = 0.02
	maxSpacingError = spacingHz / 100
)

// New chooses the divider for a transmission of which one tone is given in hertz.
func New(crystal Crystal, hz float64) (Plan, error) {
	if !(hz >= LowestHz && hz <= highestOutput) {
		return Plan{}, fmt.Errorf("%.3f Hz is out of reach: a clock generator makes %.1f kHz to %.0f MHz", hz, LowestHz/1e3, highestOutput/1e6)
	}
	p := Plan{Crystal: crystal, R: 1}
	for hz*float64(p.R) < lowestDivided {
		p.R *= 2
	}
	best, found := math.Inf(1), uint32(0)
	divided := hz * float64(p.R)
	for d := even(highestOscillator / divided); d >= 4 && float64(d)*divided >= lowestOscillator; d -= 2 {
		p.Divider = d
		if flaw := p.flaw(hz); flaw < best {
			best, found = flaw, d
		}
	}
	p.Divider = found
	if best > 1 {
		return Plan{}, fmt.Errorf("%.3f Hz is out of reach with this crystal: its registers hold no fractions that are near enough to all tones; choose a frequency some hertz beside it", hz)
	}
	return p, nil
}

func even(x float64) uint32 { return uint32(x/2) * 2 }

// flaw is the largest error among the tones that may belong to a transmission
// with a tone at hz, in parts of what is allowed; infinite where the oscillator
// can't follow.
func (p Plan) flaw(hz float64) float64 {
	worst, before := 0.0, math.NaN()
	for k := -spacings; k <= spacings; k++ {
		tone := hz + float64(k)*spacingHz
		ratio, err := p.Tune(tone)
		if err != nil {
			return math.Inf(1)
		}
		off := p.Made(ratio) - tone
		worst = max(worst, math.Abs(off)/maxError)
		if k > -spacings {
			worst = max(worst, math.Abs(off-before)/maxSpacingError)
		}
		before = off
	}
	return worst
}

// Tune gives the ratio that makes a tone in hertz.
func (p Plan) Tune(hz float64) (Ratio, error) {
	oscillator := hz * float64(p.Divider) * float64(p.R)
	if !(oscillator >= lowestOscillator && oscillator <= highestOscillator) {
		return Ratio{}, fmt.Errorf("%.3f Hz is too far from the frequency that this transmission began with", hz)
	}
	return Nearest(oscillator / p.Crystal.hz()), nil
}

// Made is the frequency in hertz that a ratio makes.
func (p Plan) Made(r Ratio) float64 {
	return p.Crystal.hz() * r.Value() / float64(p.Divider) / float64(p.R)
}

// DividerRegisters gives the eight bytes of the output divider with its R. A
// divider of 4 has a switch of its own in place of its parameters (from memory
// of AN619's register map).
func (p Plan) DividerRegisters() [8]byte {
	registers := Ratio{A: p.Divider, B: 0, C: 1}.Parameters().Registers()
	if p.Divider == 4 {
		registers = Parameters{P3: 1}.Registers()
		registers[2] |= 3 << 2
	}
	for r, code := p.R, byte(0); r > 1; r /= 2 {
		code++
		registers[2] = registers[2]&^(7<<4) | code<<4
	}
	return registers
}
