package holdover

import "math"

// solution is the offset, slope and curvature at the last point, in units of
// the span, and how far each may lie off.
type solution struct{ value, standardError [3]float64 }

// leastSquares fits x = v0 + v1·u + v2·u²/2 with u = (at − last)/span, from -1
// to 0. Neighbouring residuals that resemble each other count as fewer points.
func leastSquares(points []point, last, span float64) (solution, bool) {
	var normal [3][3]float64
	var right [3]float64
	basis := func(p point) [3]float64 {
		u := (p.at - last) / span
		return [3]float64{1, u, u * u / 2}
	}
	for _, p := range points {
		b := basis(p)
		for i := range 3 {
			right[i] += b[i] * (p.x - points[0].x) // near 0: no digits are lost
			for j := range 3 {
				normal[i][j] += b[i] * b[j]
			}
		}
	}
	inverse, ok := invert(normal)
	if !ok {
		return solution{}, false
	}
	var s solution
	for i := range 3 {
		for j := range 3 {
			s.value[i] += inverse[i][j] * right[j]
		}
	}
	var squares, products, before float64
	for k, p := range points {
		b := basis(p)
		residual := p.x - points[0].x - s.value[0]*b[0] - s.value[1]*b[1] - s.value[2]*b[2]
		squares += residual * residual
		if k > 0 {
			products += residual * before
		}
		before = residual
	}
	variance := squares / float64(len(points)-3)
	if squares > 0 {
		alike := max(0, min(products/squares, 0.99))
		variance *= (1 + alike) / (1 - alike)
	}
	for i := range 3 {
		s.standardError[i] = math.Sqrt(variance * inverse[i][i])
	}
	s.value[0] += points[0].x
	return s, true
}

// invert inverts a symmetric matrix by its cofactors; false: it has no inverse.
func invert(m [3][3]float64) ([3][3]float64, bool) {
	cofactor := func(i, j int) float64 {
		a, b, c, d := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
		return m[a][c]*m[b][d] - m[a][d]*m[b][c]
	}
	determinant := m[0][0]*cofactor(0, 0) + m[0][1]*cofactor(0, 1) + m[0][2]*cofactor(0, 2)
	if !(math.Abs(determinant) > 1e-12) {
		return m, false
	}
	var inverse [3][3]float64
	for i := range 3 {
		for j := range 3 {
			inverse[j][i] = cofactor(i, j) / determinant
		}
	}
	return inverse, true
}
