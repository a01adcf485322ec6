package holdover

import (
	"math"
	"time"
)

// Curve is a time error over time: x(t) = Offset + Frequency·t + Drift·t²/2.
type Curve struct {
	Offset    float64 // seconds
	Frequency float64 // seconds per second
	Drift     float64 // per second: by how much Frequency changes in a second
}

// At is the time error after age.
func (c Curve) At(age time.Duration) time.Duration {
	return seconds(c.at(age.Seconds()))
}

func (c Curve) at(t float64) float64 { return c.Offset + t*(c.Frequency+t*c.Drift/2) }

// Reaches is the first age at which the time error is limit or more, either
// way; false: never, or not within 100 years.
func (c Curve) Reaches(limit time.Duration) (time.Duration, bool) {
	if math.Abs(c.Offset) >= limit.Seconds() {
		return 0, true
	}
	first := math.Inf(1)
	for _, side := range []float64{limit.Seconds(), -limit.Seconds()} {
		for _, root := range roots(c.Drift/2, c.Frequency, c.Offset-side) {
			if root >= 0 {
				first = min(first, root)
			}
		}
	}
	if first > longest.Seconds() {
		return 0, false
	}
	return seconds(first), true
}

// roots are the real solutions of a·t² + b·t + c = 0, without the loss of
// digits that a small a brings to the school formula.
func roots(a, b, c float64) []float64 {
	under := b*b - 4*a*c
	if under < 0 {
		return nil
	}
	q := -(b + math.Copysign(math.Sqrt(under), b)) / 2
	var found []float64
	if a != 0 {
		found = append(found, q/a)
	}
	if q != 0 {
		found = append(found, c/q)
	}
	return found
}

// longest is how far ahead anything is reckoned.
const longest = 100 * 365 * 24 * time.Hour

// seconds makes a duration; one that is too long to hold is cut to the longest.
func seconds(s float64) time.Duration {
	most := longest.Seconds()
	if math.IsNaN(s) {
		return longest // an error that can't be told is the largest
	}
	return time.Duration(max(-most, min(s, most)) * float64(time.Second))
}
