package plan

import (
	"math/rand/v2"
	"strconv"
	"testing"
)

// TestFrequencyText: the text of a frequency is the shortest that is read as the
// same number, as strconv finds it.
func TestFrequencyText(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	list := []float64{-1, 0, 0.1, 0.05, 1, 9.9, 10, 7040101.5, 7040101.55, 1e13, 1e14, 1e15 + 0.5, 1e21, 0.1 + 0.2}
	for range 100_000 {
		tenths := float64(chance.Int64N(1 << (1 + chance.IntN(50))))
		list = append(list, tenths/10, tenths/1000, tenths/1e6, tenths*0.1)
	}
	for _, hz := range list {
		if got, want := string(appendHz(nil, hz)), strconv.FormatFloat(hz, 'f', -1, 64); got != want {
			t.Errorf("%v is written as %s, not %s", hz, got, want)
		}
	}
}
