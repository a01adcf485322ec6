package slot_test

import (
	"math/big"
	"testing"
	"time"

	"lamplighter/proto/onair/slot"
)

// Public protocol texts: the signal starts 1 s into the slot. The coding note
// (2009): 162 symbols of 8192/12000 s, together 110.592 s.
func TestStandardTiming(t *testing.T) {
	timing := slot.Standard.Timing()
	for _, c := range []struct {
		name      string
		got, want time.Duration
	}{
		{"start offset", timing.StartOffset(), time.Second},
		{"end", timing.End(), 111592 * time.Millisecond},
		{"signal", timing.Signal(), 110592 * time.Millisecond},
		{"first symbol", timing.SymbolStart(0), time.Second},
		{"second symbol", timing.SymbolStart(1), 1682666667},
		{"third symbol", timing.SymbolStart(2), 2365333333},
		{"fourth symbol", timing.SymbolStart(3), 3048 * time.Millisecond},
		{"end of the last symbol", timing.SymbolStart(slot.Symbols), 111592 * time.Millisecond},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
}

// Every symbol of every length against exact fractions: never more than half
// a nanosecond off.
func TestSymbolsAreRoundedOnce(t *testing.T) {
	half := big.NewRat(1, 2)
	for _, l := range []slot.Length{1, 2, 10, 60, slot.Standard, 86400} {
		for i := range slot.Symbols + 1 {
			exact := big.NewRat(8192*int64(i), 12000)
			exact.Add(exact, big.NewRat(1, 1)).Mul(exact, big.NewRat(int64(l)*int64(time.Second), 120))
			off := new(big.Rat).SetInt64(int64(l.Timing().SymbolStart(i)))
			if off.Sub(off, exact).Abs(off).Cmp(half) > 0 {
				t.Fatalf("slot of %d s, symbol %d: off by %s ns", l, i, off.FloatString(3))
			}
		}
	}
}
