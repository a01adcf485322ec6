package holdover

import (
	"math"
	"time"

	"lamplighter/agent/clock/stability"
)

const (
	grid     = time.Minute // time errors are averaged over this
	window   = 24 * 60     // how many of them are kept
	leastFit = 30          // fewer than this teach nothing
	leastAge = time.Hour   // nor do those of a shorter time
)

// confidence is how many standard errors make a bound for 99.9 %: Student's t
// for 0.9995 and 27 degrees of freedom, the fewest there are (from memory).
const confidence = 3.69

// perKelvin is by how much the frequency may change with the temperature. A bare
// crystal near room temperature changes by about half of that (common practice,
// no source). It counts over the warmth that was seen twice, since a trend that
// came from getting warmer is carried on though it may turn back.
const perKelvin = 0.2e-6

// A reference may be wrong by its bound in the way that misleads a fit most:
// slope and curvature at the last point, over a span of 1, are then off by this
// many bounds. They are the integrals over the span of the absolute weights
// that the fit gives to each point, worked out from Legendre's polynomials.
const (
	mostSlope = 11.8
	mostCurve = 23.1
)

// Model is what was learned of an oscillator.
type Model struct {
	Curve         // the time error from At on
	Growth  Curve // how wrong each part of it may be, for 99.9 %; all are 0 or more
	At      time.Duration
	Span    time.Duration // how long it was learned, and how far ahead it holds
	Coldest float64       // the temperatures that it was learned at, in Celsius;
	Warmest float64       // NaN: there were minutes without
}

// Learner takes in time errors while there is a reference. The zero value has
// learned nothing.
type Learner struct {
	points []point
	now    point // the sum of the present minute
	count  int
	felt   int // how many of them came with a temperature
	from   time.Duration
	model  *Model
	fitted bool // whether model is that of the points
}

type point struct{ at, x, bound, temperature float64 }

// Add takes in a time error at a moment of the steady clock, x in seconds, of
// which the reference may be wrong by bound seconds; temperature in Celsius, nil
// if not measured. What is earlier than the latest is passed over.
func (l *Learner) Add(at time.Duration, x, bound float64, temperature *float64) {
	minute := at.Truncate(grid)
	if l.count > 0 && minute > l.from {
		n := float64(l.count)
		l.keep(point{l.now.at / n, l.now.x / n, l.now.bound, l.now.temperature / float64(l.felt)})
		l.now, l.count, l.felt = point{}, 0, 0
	}
	if l.count == 0 {
		l.from = minute
	}
	if minute < l.from {
		return
	}
	if temperature != nil {
		l.now.temperature += *temperature
		l.felt++
	}
	l.now.at, l.now.x, l.now.bound = l.now.at+at.Seconds(), l.now.x+x, max(l.now.bound, bound)
	l.count++
}

func (l *Learner) keep(p point) {
	oldest := p.at - window*grid.Seconds()
	for len(l.points) > 0 && (l.points[0].at < oldest || len(l.points) >= window) {
		l.points = l.points[1:]
	}
	l.points = append(l.points, p)
	l.model, l.fitted = nil, false
}

// Model is what has been learned; nil: not enough.
func (l *Learner) Model() *Model {
	if !l.fitted {
		l.model, l.fitted = l.fit(), true
	}
	return l.model
}

func (l *Learner) fit() *Model {
	n := len(l.points)
	if n < leastFit {
		return nil
	}
	first, last := l.points[0], l.points[n-1]
	span := last.at - first.at
	if span < leastAge.Seconds() {
		return nil
	}
	solved, ok := leastSquares(l.points, last.at, span)
	if !ok {
		return nil
	}
	m := &Model{At: seconds(last.at), Span: seconds(span), Coldest: math.Inf(1), Warmest: math.Inf(-1)}
	c, e := solved.value, solved.standardError
	m.Curve = Curve{c[0], c[1] / span, c[2] / (span * span)}
	wander := l.instability()
	m.Growth = Curve{confidence * e[0], confidence * (e[1]/span + wander), confidence * e[2] / (span * span)}
	worst := 0.0
	for _, p := range l.points {
		worst = max(worst, p.bound)
		m.Coldest, m.Warmest = math.Min(m.Coldest, p.temperature), math.Max(m.Warmest, p.temperature)
	}
	m.Growth.Frequency += mostSlope * worst / span
	m.Growth.Drift += mostCurve * worst / (span * span)
	if warmth := m.Warmest - m.Coldest; warmth >= 0 {
		m.Growth.Frequency += perKelvin * (2*warmth + margin)
	}
	return m
}

// instability is three times the Allan deviation over a quarter of what was
// seen: the part of the frequency that comes and goes too slowly for a fit to
// show it. Twice, since a frequency that wanders at random goes twice as far in
// four times the time, and the model may be asked for as long as it was learned;
// and half as much again, since so long an interval shows so few times.
func (l *Learner) instability() float64 {
	x := l.series()
	r, ok := stability.OverlappingAllan(x, grid.Seconds(), max(1, len(x)/4))
	if !ok {
		return math.Inf(1)
	}
	return 3 * r.Value
}

// Stability is how steady the oscillator was, as far back as is remembered.
func (l *Learner) Stability() stability.Report {
	return stability.Measure(l.series(), grid.Seconds())
}

// series are the time errors, one a minute; what is missing is NaN.
func (l *Learner) series() []float64 {
	if len(l.points) == 0 {
		return nil
	}
	first := l.points[0].at
	x := make([]float64, int((l.points[len(l.points)-1].at-first)/grid.Seconds()+1.5))
	for i := range x {
		x[i] = math.NaN()
	}
	for _, p := range l.points {
		if i := int(math.Round((p.at - first) / grid.Seconds())); i < len(x) {
			x[i] = p.x
		}
	}
	return x
}
