package stability

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// nbs is the nine-point set of frequencies of NIST SP 1065, p. 107.
var nbs = []float64{892, 809, 823, 798, 671, 644, 883, 903, 677}

// generated is the 1000-point set of frequencies of NIST SP 1065, p. 108.
func generated() []float64 {
	y := make([]float64, 1000)
	n := uint64(1234567890)
	for i := range y {
		y[i] = float64(n) / 2147483647
		n = 16807 * n % 2147483647
	}
	return y
}

// withoutSlope takes the straight line from the first to the last point away.
func withoutSlope(x []float64) []float64 {
	flat := make([]float64, len(x))
	for i := range x {
		flat[i] = x[i] - x[0] - (x[len(x)-1]-x[0])*float64(i)/float64(len(x)-1)
	}
	return flat
}

type measure func(x []float64, tau0 float64, m int) (Result, bool)

var deviations = map[string]measure{
	"ADEV": Allan, "OADEV": OverlappingAllan, "MDEV": ModifiedAllan, "TDEV": Time,
	"HDEV": Hadamard, "OHDEV": OverlappingHadamard,
}

// near compares to the last digit published, one unit of it left for rounding.
func near(t *testing.T, what string, got, want, digits float64) {
	t.Helper()
	if math.Abs(got-want) > math.Pow(10, math.Floor(math.Log10(math.Abs(want)))-digits+1) {
		t.Errorf("%s is %.9g, want %.9g", what, got, want)
	}
}

// The figures are those of NIST SP 1065, pp. 107-108, all seven digits of them.
func TestPublishedDeviations(t *testing.T) {
	for _, test := range []struct {
		name string
		y    []float64
		m    int
		want map[string]float64
	}{
		{"nine points", nbs, 1, map[string]float64{"ADEV": 91.22945, "OADEV": 91.22945, "MDEV": 91.22945, "TDEV": 52.67135, "HDEV": 70.80607, "OHDEV": 70.80607}},
		{"nine points", nbs, 2, map[string]float64{"ADEV": 115.8082, "OADEV": 85.95287, "MDEV": 74.78849, "TDEV": 86.35831, "HDEV": 116.7980, "OHDEV": 85.61487}},
		{"1000 points", generated(), 1, map[string]float64{"ADEV": 2.922319e-1, "OADEV": 2.922319e-1, "MDEV": 2.922319e-1, "TDEV": 1.687202e-1, "HDEV": 2.943883e-1, "OHDEV": 2.943883e-1}},
		{"1000 points", generated(), 10, map[string]float64{"ADEV": 9.965736e-2, "OADEV": 9.159953e-2, "MDEV": 6.172376e-2, "TDEV": 3.563623e-1, "HDEV": 1.052754e-1, "OHDEV": 9.581083e-2}},
		{"1000 points", generated(), 100, map[string]float64{"ADEV": 3.897804e-2, "OADEV": 3.241343e-2, "MDEV": 2.170921e-2, "TDEV": 1.253382e+0, "HDEV": 3.910860e-2, "OHDEV": 3.237638e-2}},
	} {
		for name, of := range deviations {
			r, ok := of(Phase(test.y, 1), 1, test.m)
			if !ok {
				t.Fatalf("%s, %s, m = %d: no result", test.name, name, test.m)
			}
			near(t, test.name+" "+name, r.Value, test.want[name], 7)
		}
	}
}

// NIST SP 1065, p. 107: the phases beside the nine frequencies.
func TestPublishedPhases(t *testing.T) {
	want := []float64{0, 103.11111, 123.22222, 157.33333, 166.44444, 48.55555, -96.33333, -2.22222, 111.88889, 0}
	for i, x := range withoutSlope(Phase(nbs, 1)) {
		if math.Abs(x-want[i]) > 1e-5 {
			t.Errorf("point %d is %.5f, want %.5f", i, x, want[i])
		}
	}
}

// The generator's first values and extremes are published beside the set.
func TestPublishedSet(t *testing.T) {
	y := generated()
	lowest, highest, sum := y[0], y[0], 0.0
	for _, v := range y {
		lowest, highest, sum = min(lowest, v), max(highest, v), sum+v
	}
	near(t, "n1", y[1]*2147483647, 395529916, 9)
	near(t, "n3", y[3]*2147483647, 633705974, 9)
	near(t, "mean", sum/1000, 4.897745e-1, 7)
	near(t, "min", lowest, 1.371760e-3, 7)
	near(t, "max", highest, 9.957453e-1, 7)
}

func TestTerms(t *testing.T) {
	want := map[string][3]int{"ADEV": {999, 99, 9}, "OADEV": {999, 981, 801}, "MDEV": {999, 972, 702}}
	for name, terms := range want {
		for k, m := range []int{1, 10, 100} {
			if r, _ := deviations[name](Phase(generated(), 1), 1, m); r.Terms != terms[k] {
				t.Errorf("%s over %d rests on %d terms, want %d", name, m, r.Terms, terms[k])
			}
		}
	}
}

// Computed with a public statistics tool on the 1000-point set without its
// slope; the handbook has no tables of these two.
func TestTimeIntervalErrors(t *testing.T) {
	x := withoutSlope(Phase(generated(), 1))
	for k, m := range []int{1, 10, 100} {
		most, _ := MaxTimeInterval(x, 1, m)
		near(t, "MTIE", most.Value, []float64{0.5059708, 2.698815, 6.750909}[k], 7)
		rms, _ := TimeIntervalRMS(x, 1, m)
		near(t, "TIErms", rms.Value, []float64{0.2883221, 0.8758830, 2.748442}[k], 7)
	}
}

// NIST SP 1065: a steady drift D gives an Allan deviation of D·τ/√2 and a
// Hadamard deviation of 0.
func TestSteadyDrift(t *testing.T) {
	const drift, tau0, m = 1e-3, 16.0, 4
	x := make([]float64, 100)
	for i := range x {
		at := float64(i) * tau0
		x[i] = drift * at * at / 2
	}
	a, _ := OverlappingAllan(x, tau0, m)
	near(t, "ADEV", a.Value, drift*m*tau0/math.Sqrt2, 7)
	if h, _ := OverlappingHadamard(x, tau0, m); h.Value > 1e-12 {
		t.Errorf("the Hadamard deviation is %g, want 0", h.Value)
	}
}

func TestTooShort(t *testing.T) {
	for name, of := range deviations {
		for _, m := range []int{-1, 0, 2, math.MaxInt} {
			if r, ok := of([]float64{1, 2, 3, 4}, 1, m); ok {
				t.Errorf("%s over %d of four points is %v", name, m, r)
			}
		}
	}
	if _, ok := MaxTimeInterval([]float64{1, math.NaN(), 3, math.NaN()}, 1, 1); ok {
		t.Error("there is a peak-to-peak error, though no two points stand side by side")
	}
}

// A gap must cost terms and change nothing else: the result over a series with
// gaps is what remains when the terms that touch a gap are left out.
func TestGaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1, 1), 10, 60).Draw(t, "x")
		for range rapid.IntRange(0, 5).Draw(t, "gaps") {
			x[rapid.IntRange(0, len(x)-1).Draw(t, "gap")] = math.NaN()
		}
		m := rapid.IntRange(1, 6).Draw(t, "m")
		most, seen := 0.0, 0
		sum, terms := 0.0, 0
		for i := 0; i+3*m <= len(x); i++ {
			s := 0.0
			for j := i; j < i+m; j++ {
				s += x[j] - 2*x[j+m] + x[j+2*m]
			}
			if s == s {
				sum, terms = sum+s*s, terms+1
			}
		}
		for i := 0; i+m < len(x); i++ {
			low, high := math.Inf(1), math.Inf(-1)
			for _, v := range x[i : i+m+1] {
				low, high = math.Min(low, v), math.Max(high, v)
			}
			if high == high {
				most, seen = max(most, high-low), seen+1
			}
		}
		if r, _ := ModifiedAllan(x, 1, m); r.Terms != terms || terms > 0 && math.Abs(r.Value-math.Sqrt(sum/2/float64(terms))/float64(m*m)) > 1e-9 {
			t.Errorf("MDEV is %v, want %d terms", r, terms)
		}
		if r, _ := MaxTimeInterval(x, 1, m); r.Terms != seen || seen > 0 && r.Value != most {
			t.Errorf("MTIE is %v, want %g over %d windows", r, most, seen)
		}
	})
}

func TestMeasure(t *testing.T) {
	r := Measure(Phase(generated(), 1), 1)
	if len(r.OverlappingAllan) != 9 || len(r.MaxTimeInterval) != 10 {
		t.Errorf("%d and %d intervals, want 1 to 256 s and 1 to 512 s", len(r.OverlappingAllan), len(r.MaxTimeInterval))
	}
}
