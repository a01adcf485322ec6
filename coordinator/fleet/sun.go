package fleet

import (
	"math"

	"lamplighter/proto/onair/locator"
	"lamplighter/proto/onair/slot"
)

// HorizonDegrees is how near to the horizon the sun's centre counts as both
// above and below it.
const HorizonDegrees = 0.05

// Allows tells whether the rule holds at an elevation of the sun's centre in
// degrees.
func (s Sun) Allows(elevation float64) bool {
	switch s {
	case Day:
		return elevation >= -HorizonDegrees
	case Night:
		return elevation <= HorizonDegrees
	}
	return true
}

// sunlight holds, for one place, in which slots the sun rules hold.
type sunlight struct{ day, night bitset }

// sunsteps returns the sun's place at the middle of each slot of [first, end).
func sunsteps(length slot.Length, first, end slot.Number) []locator.Sun {
	suns := make([]locator.Sun, end-first)
	for i := range suns {
		suns[i] = locator.SunAt(length.Middle(first + slot.Number(i)))
	}
	return suns
}

// sunlightAt fills both sets for a place. The sun's elevation changes by no more
// than the Earth turns, so that most slots follow from one before them.
func sunlightAt(place locator.Position, suns []locator.Sun, length slot.Length) sunlight {
	const degreesPerSecond = 361.5 / 86400 // the turn of the Earth, rounded up
	perSlot := degreesPerSecond * float64(length)
	light := sunlight{newBitset(len(suns)), newBitset(len(suns))}
	for i := 0; i < len(suns); {
		elevation := suns[i].Elevation(place)
		sure := 1 + max(0, int((math.Abs(elevation)-HorizonDegrees)/perSlot))
		next := min(i+sure, len(suns))
		if Day.Allows(elevation) {
			light.day.setRange(i, next)
		}
		if Night.Allows(elevation) {
			light.night.setRange(i, next)
		}
		i = next
	}
	return light
}
