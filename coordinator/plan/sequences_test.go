package plan

import (
	"fmt"
	"math/big"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lamplighter/proto/onair/slot"
)

// drawSlots draws the slots of one beacon on the test day, and how many of them
// lie in the history before noon.
func drawSlots(t *rapid.T) []int {
	var slots []int
	n := rapid.IntRange(0, 400).Draw(t, "first")
	for range rapid.IntRange(0, 40).Draw(t, "transmissions") {
		slots = append(slots, n)
		n += rapid.OneOf(rapid.Just(1), rapid.IntRange(1, 4), rapid.IntRange(1, 12)).Draw(t, "step")
	}
	return slots
}

func plansOfSlots(slots []int, border int) (p, history *Plan) {
	p = &Plan{Network: "Test", From: midnight.Add(time.Duration(border) * slot.Standard.Duration()), To: morrow, SlotSeconds: 120}
	history = &Plan{Network: "Test", From: midnight, To: p.From, SlotSeconds: 120}
	for _, n := range slots {
		of := p
		if n < border {
			of = history
		}
		of.Transmissions = append(of.Transmissions, Transmission{
			Start: midnight.Add(time.Duration(n) * slot.Standard.Duration()), Beacon: "one", Band: "40m", FrequencyHz: 7040100,
		})
	}
	return p, history
}

// TestShareOverEveryWindow compares rule 6 with its own words: for every window
// of slots that ends in the plan, with exact rationals.
func TestShareOverEveryWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Round shares, whose product with a window is often whole, and any others.
		thousandths := rapid.OneOf(
			rapid.SampledFrom([]int64{0, 100, 125, 200, 250, 400, 500, 600, 750, 1000}),
			rapid.Int64Range(0, 1000),
		).Draw(t, "thousandths")
		f := mustFleetRapid(t, fmt.Sprintf(", share: 0.%03d, bands: [40m]", thousandths%1000), thousandths == 1000)
		slots := drawSlots(t)
		border := rapid.IntRange(0, 720).Draw(t, "border")
		p, history := plansOfSlots(slots, border)
		share := big.NewRat(thousandths, 1000)
		broken := false
		for i := range slots {
			for j := i; j < len(slots); j++ {
				if slots[j] < border {
					continue
				}
				k := int64(slots[j] - slots[i] + 1)
				product := new(big.Rat).Mul(share, big.NewRat(k, 1))
				ceil := new(big.Int).Add(product.Num(), new(big.Int).Sub(product.Denom(), big.NewInt(1)))
				ceil.Div(ceil, product.Denom())
				if int64(j-i+1) > ceil.Int64()+1 {
					broken = true
				}
			}
		}
		got := false
		for _, v := range Check(f, p, Extra{History: history}) {
			got = got || v.Rule == Share
		}
		if got != broken {
			t.Fatalf("share %v, slots %v from %d: broken %v, reported %v", share, slots, border, broken, got)
		}
	})
}

func TestAmplifierOverEveryWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		most := rapid.IntRange(1, 15).Draw(t, "most")
		f := mustFleetRapid(t, fmt.Sprintf(", share: 1, bands: [40m], max_in_30min: %d", most), false)
		slots := drawSlots(t)
		border := rapid.IntRange(0, 720).Draw(t, "border")
		p, history := plansOfSlots(slots, border)
		broken := false
		for from := range 720 {
			count, planned := 0, false
			for _, n := range slots {
				if n >= from && n < from+15 {
					count++
					planned = planned || n >= border
				}
			}
			broken = broken || planned && count > most
		}
		got := false
		for _, v := range Check(f, p, Extra{History: history}) {
			got = got || v.Rule == MaxIn30Min
		}
		if got != broken {
			t.Fatalf("at most %d, slots %v from %d: broken %v, reported %v", most, slots, border, broken, got)
		}
	})
}
