package stability

import "math"

// TimeIntervalRMS is the root mean square of the time interval error over
// n·tau0 in seconds: of x(t+τ) − x(t) (ITU-T G.810, II.4).
func TimeIntervalRMS(x []float64, tau0 float64, n int) (Result, bool) {
	if n < 1 || n >= len(x) || !(tau0 > 0) {
		return Result{}, false
	}
	var sum float64
	terms := 0
	for i := 0; i+n < len(x); i++ {
		if e := x[i+n] - x[i]; !math.IsNaN(e) {
			sum += e * e
			terms++
		}
	}
	return result(float64(n)*tau0, math.Sqrt(sum/float64(terms)), terms)
}

// MaxTimeInterval is the maximum time interval error over n·tau0 in seconds:
// the largest peak-to-peak time error in any window of n+1 points (ITU-T G.810,
// II.5). A window with a missing point is not looked at.
func MaxTimeInterval(x []float64, tau0 float64, n int) (Result, bool) {
	if n < 1 || n >= len(x) || !(tau0 > 0) {
		return Result{}, false
	}
	var highest, lowest peaks
	var most float64
	gap, windows := -1, 0
	for i, v := range x {
		if math.IsNaN(v) {
			gap = i
			continue
		}
		highest.push(x, i, n, func(a, b float64) bool { return a >= b })
		lowest.push(x, i, n, func(a, b float64) bool { return a <= b })
		if i >= n && gap < i-n {
			most = max(most, x[highest[0]]-x[lowest[0]])
			windows++
		}
	}
	return result(float64(n)*tau0, most, windows)
}

// peaks are the places that can still become the extreme of a sliding window,
// the present extreme first.
type peaks []int

func (p *peaks) push(x []float64, i, n int, beats func(a, b float64) bool) {
	q := *p
	for len(q) > 0 && beats(x[i], x[q[len(q)-1]]) {
		q = q[:len(q)-1]
	}
	for len(q) > 0 && q[0] < i-n {
		q = q[1:]
	}
	*p = append(q, i)
}

// Report holds the measures of a series at intervals that double.
type Report struct {
	OverlappingAllan []Result
	MaxTimeInterval  []Result
}

// Measure measures a series at tau0, 2·tau0, 4·tau0 … as far as it reaches.
func Measure(x []float64, tau0 float64) Report {
	var r Report
	for m := 1; m < len(x); m *= 2 {
		if a, ok := OverlappingAllan(x, tau0, m); ok {
			r.OverlappingAllan = append(r.OverlappingAllan, a)
		}
		if e, ok := MaxTimeInterval(x, tau0, m); ok {
			r.MaxTimeInterval = append(r.MaxTimeInterval, e)
		}
	}
	return r
}
