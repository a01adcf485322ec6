package fleet

import (
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseDecimal(t *testing.T) {
	for text, want := range map[string]Decimal{
		"0": {}, "0.0": {}, "00": {}, "7": {7, 1}, "0.07": {7, 100}, "0.070": {7, 100}, "12.5": {25, 2},
		"999999999.999999999": {999999999999999999, 1000000000}, "0000000000001": {1, 1},
	} {
		if got, err := ParseDecimal(text); err != nil || got != want {
			t.Errorf("%s: %v %v", text, got, err)
		}
	}
	for _, text := range []string{"", ".", ".5", "5.", "-1", "+1", "1e3", "0x1", "1_000", "1,5", "½", " 1", "1234567890", "0.0000000001", strings.Repeat("9", 1000)} {
		if got, err := ParseDecimal(text); err == nil {
			t.Errorf("%q is taken as %v", text, got)
		}
	}
}

// drawDecimal draws any Decimal that a file may hold, with its exact value.
func drawDecimal(t *rapid.T, label string) (Decimal, *big.Rat) {
	text := rapid.StringMatching(`[0-9]{1,9}(\.[0-9]{1,9})?`).Draw(t, label)
	d, err := ParseDecimal(text)
	if err != nil {
		t.Fatal(err)
	}
	exact, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("%q is no rational", text)
	}
	return d, exact
}

// TestDecimalIsExact compares with the standard library's rationals.
func TestDecimalIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, ra := drawDecimal(t, "a")
		b, rb := drawDecimal(t, "b")
		n := rapid.Int64Range(0, 1<<33).Draw(t, "n")
		if num, den := a.NumDen(); big.NewRat(num, den).Cmp(ra) != 0 {
			t.Errorf("%v is not %v", a, ra)
		}
		if f, _ := ra.Float64(); a.Float64() != f {
			t.Errorf("Float64 %v, want %v", a.Float64(), f)
		}
		if a.Cmp(b) != ra.Cmp(rb) || (a == b) != (ra.Cmp(rb) == 0) || a.IsZero() != (ra.Sign() == 0) {
			t.Errorf("%v and %v compare as %d", a, b, a.Cmp(b))
		}
		product := new(big.Rat).Mul(ra, new(big.Rat).SetInt64(n))
		floor := new(big.Int).Quo(product.Num(), product.Denom())
		ceil := new(big.Int).Set(floor)
		if !product.IsInt() {
			ceil.Add(ceil, big.NewInt(1))
		}
		if a.MulFloor(n) != floor.Int64() || a.MulCeil(n) != ceil.Int64() {
			t.Errorf("%v · %d: floor %d ceil %d, want %v %v", a, n, a.MulFloor(n), a.MulCeil(n), floor, ceil)
		}
		if again, err := ParseDecimal(a.String()); err != nil || again != a {
			t.Errorf("%v written as %s reads as %v (%v)", ra, a, again, err)
		}
	})
}

func TestRatioText(t *testing.T) {
	for want, d := range map[string]Decimal{"1/3": Ratio(2, 6), "0.125": Ratio(1, 8), "0": {}, "40": Whole(40)} {
		if d.String() != want {
			t.Errorf("got %s, want %s", d, want)
		}
	}
	if Ratio(1, 3).Min(Ratio(2, 7)) != Ratio(2, 7) {
		t.Error("2/7 is less than 1/3")
	}
}
