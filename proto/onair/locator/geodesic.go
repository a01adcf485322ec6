package locator

import "math"

// Geodesic is the shortest way between two points on the ellipsoid.
type Geodesic struct {
	Metres      float64
	Azimuth     float64 // at the first point, towards the second: degrees from north through east, 0 to 360
	BackBearing float64 // at the second point, back towards the first, likewise
}

// Inverse solves the inverse geodesic problem on the ellipsoid of WGS 84,
// after "Algorithms for geodesics", Journal of Geodesy 87 (2013), 43-55. The
// numbers of equations beside the code are that paper's, from memory; the
// tests check the series against their integrals. It is good to well under a
// millimetre at every distance, opposite points included, where simpler
// methods fail.
//
// Between equal points no azimuth exists; they give 0 m, azimuth 0 and back
// bearing 180, as if the second point lay a hair to the north. Where several
// ways are equally short, one of them is given, always the same.
//
// Latitudes must lie within ±90°; longitudes are taken modulo 360°.
func Inverse(a, b Position) Geodesic {
	c := canonical(a, b)
	if c.equal {
		return Geodesic{BackBearing: 180}
	}
	metres, azimuth1, azimuth2 := c.solve()
	return c.undo(metres, azimuth1, azimuth2)
}

// The ellipsoid of WGS 84 (its defining parameters) and what follows from it.
const (
	equatorialRadius = 6378137.0         // metres
	flattening       = 1 / 298.257223563 // f
	polarRadius      = equatorialRadius * (1 - flattening)
	third            = flattening / (2 - flattening) // n, third flattening
	eccentricity2    = flattening * (2 - flattening) // e²
	second2          = eccentricity2 / ((1 - flattening) * (1 - flattening))
)

// hair keeps a point that lies on the equator or a pole beside it, so that
// signs and directions are defined; as a distance it is nothing.
const hair = 1e-100

// configuration is a pair of points brought into the one form that solve
// handles: first latitude south, second no further from the equator,
// second point east by 0 to π. The flags tell how to get back. (Section 4,
// equation 44.)
type configuration struct {
	sin1, cos1, sin2, cos2     float64 // reduced latitudes β1, β2
	longitude                  float64 // λ12 in radians
	equal                      bool
	swapped, mirrored, flipped bool // ends exchanged; east for west; north for south
}

func canonical(a, b Position) configuration {
	var c configuration
	if math.Abs(a.Latitude) < math.Abs(b.Latitude) {
		a, b, c.swapped = b, a, true
	}
	if a.Latitude >= 0 {
		a.Latitude, b.Latitude, c.flipped = -a.Latitude, -b.Latitude, true
	}
	// Remainder is exact and lies within ±180.
	east := math.Remainder(math.Remainder(b.Longitude, 360)-math.Remainder(a.Longitude, 360), 360)
	c.mirrored = east < 0
	c.longitude = math.Abs(east) * degree
	c.equal = a.Latitude == b.Latitude && (east == 0 || a.Latitude == -90)
	c.sin1, c.cos1 = reduced(a.Latitude)
	c.sin1 = math.Min(c.sin1, -hair)
	c.sin2, c.cos2 = reduced(b.Latitude)
	return c
}

// reduced gives sine and cosine of the reduced latitude, tan β = (1−f) tan φ
// (equation 6). The cosine is kept a hair off zero so that at a pole
// every longitude has its own direction.
func reduced(latitude float64) (sin, cos float64) {
	if math.Abs(latitude) == 90 {
		return math.Copysign(1, latitude), hair
	}
	sin, cos = math.Sincos(latitude * degree)
	sin *= 1 - flattening
	length := math.Hypot(sin, cos)
	return sin / length, cos / length
}

// undo brings a solution back to the points as given. Azimuths are those of
// the direction of travel at either end, in radians.
func (c configuration) undo(metres, azimuth1, azimuth2 float64) Geodesic {
	if c.mirrored {
		azimuth1, azimuth2 = -azimuth1, -azimuth2
	}
	if c.flipped {
		azimuth1, azimuth2 = math.Pi-azimuth1, math.Pi-azimuth2
	}
	if c.swapped { // the way back: what was the end's back bearing is the azimuth now
		azimuth1, azimuth2 = azimuth2+math.Pi, azimuth1+math.Pi
	}
	return Geodesic{Metres: metres, Azimuth: bearing(azimuth1), BackBearing: bearing(azimuth2 + math.Pi)}
}

// solve gives the length and the azimuths at both ends.
func (c configuration) solve() (metres, azimuth1, azimuth2 float64) {
	switch {
	case c.longitude == 0 || c.longitude == math.Pi || c.cos1 == hair:
		// along a meridian, over the near pole when the longitude is π
		return c.path(math.Sin(c.longitude), math.Cos(c.longitude)).metres(), c.longitude, 0
	case c.sin1 == -hair && c.longitude <= (1-flattening)*math.Pi: // along the equator
		return equatorialRadius * c.longitude, math.Pi / 2, math.Pi / 2
	}
	turn := c.search()
	p := c.path(math.Cos(turn), -math.Sin(turn))
	return p.metres(), math.Pi/2 + turn, math.Atan2(p.sinAzimuth2, p.cosAzimuth2)
}
