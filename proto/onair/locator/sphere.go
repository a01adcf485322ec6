package locator

import "math"

// SphereRadiusKm is the radius of the sphere on which nearness is judged: the
// mean radius of the ellipsoid.
const SphereRadiusKm = 6371.0088

const degree = math.Pi / 180

// SphereKm is the great-circle distance between a and b in kilometres. It is
// exact to rounding at every distance, from equal to opposite points.
func SphereKm(a, b Position) float64 {
	north, east, cosine := direction(a, b)
	return SphereRadiusKm * math.Atan2(math.Hypot(north, east), cosine)
}

// SphereAzimuth is the bearing at a of the great circle to b, in degrees from
// north through east, 0 ≤ azimuth < 360. Between equal points, where no
// bearing exists, it is 0.
func SphereAzimuth(a, b Position) float64 {
	north, east, _ := direction(a, b)
	return bearing(math.Atan2(east, north))
}

// direction gives the unit vector to b in the frame of a: its parts towards
// north, east and up.
func direction(a, b Position) (north, east, up float64) {
	sinA, cosA := math.Sincos(a.Latitude * degree)
	sinB, cosB := math.Sincos(b.Latitude * degree)
	sinL, cosL := math.Sincos((b.Longitude - a.Longitude) * degree)
	// sin(B−A) keeps the difference of two near latitudes exact.
	half := math.Sin((b.Longitude - a.Longitude) * degree / 2)
	north = math.Sin((b.Latitude-a.Latitude)*degree) + 2*sinA*cosB*half*half
	return north, cosB * sinL, sinA*sinB + cosA*cosB*cosL
}

// bearing turns radians into degrees within [0, 360).
func bearing(radians float64) float64 {
	degrees := math.Mod(radians/degree, 360)
	if degrees < 0 {
		degrees += 360
	}
	if degrees >= 360 { // a tiny negative angle rounds up to a full turn
		return 0
	}
	return degrees
}
