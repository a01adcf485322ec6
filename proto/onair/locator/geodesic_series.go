package locator

import "math"

// series is scale·(σ + Σ coefficient[l−1]·sin 2lσ), the form of the integrals
// along a geodesic (equations 15, 23 and 41), to sixth order in ε.
type series struct {
	scale       float64
	coefficient [6]float64
}

// at evaluates the series by Clenshaw's summation.
func (s series) at(sigma float64) float64 {
	sin, cos := math.Sincos(2 * sigma)
	var b1, b2 float64
	for l := len(s.coefficient) - 1; l >= 0; l-- {
		b1, b2 = s.coefficient[l]+2*cos*b1-b2, b1
	}
	return s.scale * (sigma + b1*sin)
}

// distanceSeries is I1, the distance over the polar radius (equations 17, 18).
func distanceSeries(e float64) series {
	e2 := e * e
	return series{
		scale: (1 + e2*(1./4+e2*(1./64+e2/256))) / (1 - e),
		coefficient: [6]float64{
			e * (-1./2 + e2*(3./16-e2/32)),
			e2 * (-1./16 + e2*(1./32-e2*9/2048)),
			e * e2 * (-1./48 + e2*3/256),
			e2 * e2 * (-5./512 + e2*3/512),
			e * e2 * e2 * (-7. / 1280),
			e2 * e2 * e2 * (-7. / 2048),
		},
	}
}

// spreadSeries is I2, needed for the reduced length (equations 42, 43).
func spreadSeries(e float64) series {
	e2 := e * e
	return series{
		scale: (1 - e) * (1 + e2*(1./4+e2*(9./64+e2*25/256))),
		coefficient: [6]float64{
			e * (1./2 + e2*(1./16+e2/32)),
			e2 * (3./16 + e2*(1./32+e2*35/2048)),
			e * e2 * (5./48 + e2*5/256),
			e2 * e2 * (35./512 + e2*7/512),
			e * e2 * e2 * (63. / 1280),
			e2 * e2 * e2 * (77. / 2048),
		},
	}
}

// longitudeSeries is I3, by which the longitude falls behind that on the
// auxiliary sphere (equations 24, 25).
func longitudeSeries(e float64) series {
	const n = third
	e2 := e * e
	return series{
		scale: 1 - e*((1-n)/2+e*((1./4+n/8-n*n*3/8)+e*((1./16+n*3/16+n*n/16)+e*((3./64+n/32)+e*3/128)))),
		coefficient: [6]float64{
			e * ((1-n)/4 + e*((1-n*n)/8+e*((3./64+n*3/64-n*n/64)+e*((5./128+n/64)+e*3/128)))),
			e2 * ((1./16 - n*3/32 + n*n/32) + e*((3./64-n/32-n*n*3/64)+e*((3./128+n/128)+e*5/256))),
			e * e2 * ((5./192 - n*3/64 + n*n*5/192) + e*((3./128-n*5/192)+e*7/512)),
			e2 * e2 * ((7./512 - n*7/256) + e*7/512),
			e * e2 * e2 * 21 / 2560,
			0,
		},
	}
}
