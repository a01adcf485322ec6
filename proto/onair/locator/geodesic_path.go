package locator

import "math"

// path is the geodesic that leaves the first point of a configuration in a
// given direction and meets the second point's latitude going north.
type path struct {
	sinAzimuth0              float64 // where it crosses the equator
	sinAzimuth2, cosAzimuth2 float64 // at the second point
	sinSigma1, cosSigma1     float64 // arc from the equator to the first point,
	sinSigma2, cosSigma2     float64 // and to the second, on the auxiliary sphere
	sigma1, sigma2           float64
	omega1, omega2           float64 // longitudes on the auxiliary sphere
	k2, epsilon              float64
}

// path follows the geodesic with azimuth α1 (equations 5, 9, 11, 12, 16, 45).
func (c configuration) path(sinAzimuth1, cosAzimuth1 float64) path {
	var p path
	p.sinAzimuth0 = sinAzimuth1 * c.cos1
	cos0 := math.Hypot(cosAzimuth1, sinAzimuth1*c.sin1)

	p.sinAzimuth2 = p.sinAzimuth0 / c.cos2
	between := (c.cos2 - c.cos1) * (c.cos2 + c.cos1) // cos²β2 − cos²β1
	if c.cos1 < -c.sin1 {
		between = (c.sin1 - c.sin2) * (c.sin1 + c.sin2)
	}
	x := cosAzimuth1 * c.cos1
	p.cosAzimuth2 = math.Sqrt(math.Max(0, x*x+between)) / c.cos2

	p.sinSigma1, p.cosSigma1 = unit(c.sin1, cosAzimuth1*c.cos1)
	p.sinSigma2, p.cosSigma2 = unit(c.sin2, p.cosAzimuth2*c.cos2)
	p.sigma1 = math.Atan2(p.sinSigma1, p.cosSigma1)
	p.sigma2 = math.Atan2(p.sinSigma2, p.cosSigma2)
	p.omega1 = math.Atan2(p.sinAzimuth0*p.sinSigma1, p.cosSigma1)
	p.omega2 = math.Atan2(p.sinAzimuth0*p.sinSigma2, p.cosSigma2)

	p.k2 = second2 * cos0 * cos0
	root := math.Sqrt(1 + p.k2)
	p.epsilon = p.k2 / ((root + 1) * (root + 1))
	return p
}

// unit scales (sin, cos) to length one. At a point on the equator with a
// geodesic along it, both vanish; the arc is then zero.
func unit(sin, cos float64) (float64, float64) {
	length := math.Hypot(sin, cos)
	if length == 0 {
		return 0, 1
	}
	return sin / length, cos / length
}

// metres is the length of the path (equation 7).
func (p path) metres() float64 {
	s := distanceSeries(p.epsilon)
	return polarRadius * (s.at(p.sigma2) - s.at(p.sigma1))
}

// longitude is the difference of longitude along the path (equation 8).
func (p path) longitude() float64 {
	s := longitudeSeries(p.epsilon)
	return p.omega2 - p.omega1 - flattening*p.sinAzimuth0*(s.at(p.sigma2)-s.at(p.sigma1))
}

// reducedLength is m12/b, by which neighbouring geodesics spread (equation 38).
func (p path) reducedLength() float64 {
	one, two := distanceSeries(p.epsilon), spreadSeries(p.epsilon)
	j := (one.at(p.sigma2) - one.at(p.sigma1)) - (two.at(p.sigma2) - two.at(p.sigma1))
	return math.Sqrt(1+p.k2*p.sinSigma2*p.sinSigma2)*p.cosSigma1*p.sinSigma2 -
		math.Sqrt(1+p.k2*p.sinSigma1*p.sinSigma1)*p.sinSigma1*p.cosSigma2 -
		p.cosSigma1*p.cosSigma2*j
}

// search finds the azimuth π/2 + turn whose path spans the wanted longitude.
//
// In canonical configuration the longitude grows with the azimuth and there
// is one root (section 4). Newton's method starts from the answer on a sphere
// and is held inside a bracket that every step narrows; where it leaves the
// bracket, as it may for nearly opposite points, the bracket is halved. The
// azimuth is counted from due east because near the equator it differs from
// that by less than π/2 can resolve.
func (c configuration) search() (turn float64) {
	const near = 1e-15 // radians of longitude: 6 nm
	low, high := -math.Pi/2, math.Pi/2
	turn = c.start()
	for range 200 { // halving alone needs fewer, but for points a hair off the equator
		p := c.path(math.Cos(turn), -math.Sin(turn))
		miss := p.longitude() - c.longitude
		if math.Abs(miss) <= near {
			break
		}
		if miss > 0 {
			high = turn
		} else {
			low = turn
		}
		turn -= miss * p.cosAzimuth2 * c.cos2 / ((1 - flattening) * p.reducedLength()) // equation 46
		if inside := turn > low && turn < high; !inside {                              // nor is NaN
			turn = low + (high-low)/2
		}
	}
	return turn
}

// start is the answer on a sphere, with the longitude stretched as the
// ellipsoid does at the mean latitude (equations 48-51).
func (c configuration) start() float64 {
	mean := (c.cos1 + c.cos2) / 2
	omega := math.Min(c.longitude/math.Sqrt(1-eccentricity2*mean*mean), math.Pi)
	half := math.Sin(omega / 2) // cos ω = 1 − 2 sin² ω/2, exact for near points
	north := c.sin2*c.cos1 - c.sin1*c.cos2 + 2*c.sin1*c.cos2*half*half
	return math.Atan2(-north, c.cos2*math.Sin(omega))
}
