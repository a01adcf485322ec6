package slot

import "time"

// Symbols is the number of symbols in a transmission.
const Symbols = 162

// Within a standard slot the signal starts after one second, and a symbol
// lasts 8192 periods of a 12 kHz clock (public protocol texts; the coding
// note, 2009): 0.682 667 s, together 110.592 s.
const (
	leadTicks   = 12000 // before the first symbol, in periods of 12 kHz
	symbolTicks = 8192  // one symbol
)

// Timing says when, within a slot, the symbols of a transmission start.
//
// A standard slot has the published times. In a slot of another length L all
// times are scaled by L/120: that is no longer a signal anybody can receive,
// and serves trials with simulated transmitters only.
//
// Every instant is computed from its own index with integers and rounded once
// to the nanosecond, so no error accumulates over a transmission.
type Timing struct{ length Length }

// Timing gives the times within a slot of length l.
func (l Length) Timing() Timing { return Timing{length: l} }

// StartOffset is the time from slot start to the first symbol: 1 s.
func (t Timing) StartOffset() time.Duration { return t.SymbolStart(0) }

// SymbolStart is the time from slot start to the start of symbol i, counted
// from 0. SymbolStart(Symbols) is the end of the last one.
func (t Timing) SymbolStart(i int) time.Duration {
	// One tick is L/120 of 1/12000 s: L·6250/9 ns, kept as ninths.
	ninths := (leadTicks + symbolTicks*int64(i)) * int64(t.length) * 6250
	return time.Duration((2*ninths + 9) / 18) // nearest
}

// End is the time from slot start to the end of the last symbol: 111.592 s.
func (t Timing) End() time.Duration { return t.SymbolStart(Symbols) }

// Signal is how long the signal lasts: 110.592 s.
func (t Timing) Signal() time.Duration { return t.End() - t.StartOffset() }
