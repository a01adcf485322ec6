// Package stability measures how steady a clock is, from the series of its time
// errors: the deviations of NIST Special Publication 1065 (Handbook of
// Frequency Stability Analysis, 2008) and the time interval errors of ITU-T
// G.810 (08/1996), Appendix II.
//
// A series holds time errors in seconds at equal distances of tau0 seconds. A
// point that is missing is NaN; every term that would touch it is left out, and
// nothing is filled in, so a gap costs terms and never invents one. Each result
// says how many terms it rests on; with none there is no result.
package stability

import "math"

// Result is a measure over one observation interval.
type Result struct {
	Tau   float64 // the interval, in seconds
	Value float64 // Allan, modified Allan and Hadamard: without unit; the others: seconds
	Terms int     // how many terms were averaged, or windows looked at
}

// Phase turns fractional frequencies, each the mean over tau0 seconds, into
// time errors from 0 on. A missing frequency (NaN) leaves all that follows
// missing: how far the clock ran meanwhile is not known.
func Phase(frequency []float64, tau0 float64) []float64 {
	x := make([]float64, 1, len(frequency)+1)
	for i, y := range frequency {
		x = append(x, x[i]+y*tau0)
	}
	return x
}

// Allan is the Allan deviation over m·tau0 from differences that don't overlap
// (SP 1065, 5.2.2).
func Allan(x []float64, tau0 float64, m int) (Result, bool) {
	return differences(x, tau0, m, m, allan)
}

// OverlappingAllan is the Allan deviation over m·tau0 from every difference
// there is (SP 1065, 5.2.4).
func OverlappingAllan(x []float64, tau0 float64, m int) (Result, bool) {
	return differences(x, tau0, m, 1, allan)
}

// Hadamard is the Hadamard deviation over m·tau0, which a steady drift leaves
// at 0, from differences that don't overlap (SP 1065, 5.2.8).
func Hadamard(x []float64, tau0 float64, m int) (Result, bool) {
	return differences(x, tau0, m, m, hadamard)
}

// OverlappingHadamard is the Hadamard deviation over m·tau0 from every
// difference there is (SP 1065, 5.2.9).
func OverlappingHadamard(x []float64, tau0 float64, m int) (Result, bool) {
	return differences(x, tau0, m, 1, hadamard)
}

// A difference is a sum of points m apart, with these weights; scale is what
// its mean square is divided by, over tau squared.
type difference struct {
	weights []float64
	scale   float64
}

var (
	allan    = difference{[]float64{1, -2, 1}, 2}
	hadamard = difference{[]float64{-1, 3, -3, 1}, 6}
)

func differences(x []float64, tau0 float64, m, stride int, d difference) (Result, bool) {
	if m < 1 || m >= len(x) || !(tau0 > 0) {
		return Result{}, false
	}
	var sum float64
	terms := 0
	for i := 0; i+(len(d.weights)-1)*m < len(x); i += stride {
		var term float64
		for k, weight := range d.weights {
			term += weight * x[i+k*m]
		}
		if !math.IsNaN(term) {
			sum += term * term
			terms++
		}
	}
	tau := float64(m) * tau0
	return result(tau, math.Sqrt(sum/(d.scale*float64(terms)))/tau, terms)
}

func result(tau, value float64, terms int) (Result, bool) {
	if terms == 0 {
		return Result{}, false
	}
	return Result{Tau: tau, Value: value, Terms: terms}, true
}

// ModifiedAllan is the modified Allan deviation over m·tau0 (SP 1065, 5.2.5):
// it tells white from flicker noise of the phase.
func ModifiedAllan(x []float64, tau0 float64, m int) (Result, bool) {
	if m < 1 || m >= len(x) || !(tau0 > 0) || len(x) < 3*m {
		return Result{}, false
	}
	// The sums of m second differences in a row, missing points counted apart:
	// a running sum must not swallow a NaN.
	var sum, squares float64
	missing, terms := 0, 0
	add := func(i int, sign float64) {
		if d := x[i] - 2*x[i+m] + x[i+2*m]; math.IsNaN(d) {
			missing += int(sign)
		} else {
			sum += sign * d
		}
	}
	for i := range len(x) - 2*m {
		add(i, 1)
		if i >= m {
			add(i-m, -1)
		}
		if i >= m-1 && missing == 0 {
			squares += sum * sum
			terms++
		}
	}
	tau := float64(m) * tau0
	return result(tau, math.Sqrt(squares/(2*float64(terms)))/(float64(m)*tau), terms)
}

// Time is the time deviation over m·tau0 in seconds (SP 1065, 5.2.6): the
// modified Allan deviation times tau/√3.
func Time(x []float64, tau0 float64, m int) (Result, bool) {
	r, ok := ModifiedAllan(x, tau0, m)
	r.Value *= r.Tau / math.Sqrt(3)
	return r, ok
}
