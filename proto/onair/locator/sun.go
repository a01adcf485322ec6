package locator

import (
	"math"
	"time"
)

// Sun is where the sun stands at one instant, the same for every place.
// Compute it once and ask it for many places.
type Sun struct {
	Declination        float64 // degrees north of the equator, of date
	RightAscension     float64 // degrees, of date, 0 to 360
	GreenwichHourAngle float64 // degrees west of Greenwich, 0 to 360
}

// SunElevation is the height of the sun's centre over the horizon at p and t
// in degrees, negative below it: geometric, without refraction, good to
// about 0.01° within a century of 2000.
func SunElevation(p Position, t time.Time) float64 { return SunAt(t).Elevation(p) }

// SunAt computes the sun's place after "Astronomical Algorithms" (2nd ed.
// 1998), chapters 12 and 25, the method of lower accuracy.
func SunAt(t time.Time) Sun {
	// Terrestrial time runs ahead of UTC by 32.184 s and the leap seconds, 37
	// since 2017. The sun moves 0.0008° in that time, so a constant will do.
	const terrestrialAhead = 69.184 / 86400
	days := daysSince2000(t)
	s := solarCoordinates((days + terrestrialAhead) / 36525)
	return Sun{
		Declination:        s.declination / degree,
		RightAscension:     bearing(s.rightAscension),
		GreenwichHourAngle: bearing(siderealTime(days)*degree + s.equinoxes - s.rightAscension),
	}
}

// Elevation is the height of the sun's centre over the horizon at p, degrees.
func (s Sun) Elevation(p Position) float64 {
	sinD, cosD := math.Sincos(s.Declination * degree)
	sinP, cosP := math.Sincos(p.Latitude * degree)
	up := sinP*sinD + cosP*cosD*math.Cos((s.GreenwichHourAngle+p.Longitude)*degree)
	return math.Asin(min(1, max(-1, up))) / degree
}

// Azimuth is the bearing of the sun at p, in degrees from north through east.
func (s Sun) Azimuth(p Position) float64 {
	return SphereAzimuth(p, Position{Latitude: s.Declination, Longitude: -s.GreenwichHourAngle})
}

// daysSince2000 counts days of 86400 s since 2000-01-01T12:00:00Z.
func daysSince2000(t time.Time) float64 {
	const noon2000 = 946728000
	return (float64(t.Unix()-noon2000) + float64(t.Nanosecond())/1e9) / 86400
}

// siderealTime is the mean sidereal time at Greenwich in degrees, chapter 12
// (12.4), not reduced; its cubic term stays below 1e-7° and is left out. UTC
// stands for UT1, from which it differs by less than 0.9 s or 0.004°.
func siderealTime(days float64) float64 {
	t := days / 36525
	return math.Mod(280.46061837+360.98564736629*days+0.000387933*t*t, 360)
}

// solar is the sun's apparent place, in radians.
type solar struct {
	meanLongitude, meanAnomaly, centre float64
	trueLongitude, apparentLongitude   float64
	obliquity                          float64
	rightAscension, declination        float64
	equinoxes                          float64 // apparent less mean sidereal time
}

// solarCoordinates follows chapter 25 for t Julian centuries of terrestrial
// time since 2000.
func solarCoordinates(t float64) solar {
	var s solar
	s.meanLongitude = (280.46646 + t*(36000.76983+t*0.0003032)) * degree // (25.2)
	s.meanAnomaly = (357.52911 + t*(35999.05029-t*0.0001537)) * degree   // (25.3)
	sin1, cos1 := math.Sincos(s.meanAnomaly)                             // of M
	sin2, cos2 := 2*sin1*cos1, 1-2*sin1*sin1                             // of 2M
	sin3 := sin2*cos1 + cos2*sin1                                        // of 3M
	s.centre = ((1.914602-t*(0.004817+t*0.000014))*sin1 +                // equation of the centre
		(0.019993-t*0.000101)*sin2 + 0.000289*sin3) * degree
	s.trueLongitude = s.meanLongitude + s.centre
	sinNode, cosNode := math.Sincos((125.04 - 1934.136*t) * degree) // of the moon's ascending node
	nutation := -0.00478 * sinNode * degree
	s.apparentLongitude = s.trueLongitude - 0.00569*degree + nutation
	mean := 23.439291111 - t*(0.013004167+t*(1.6389e-7-t*5.0361e-7)) // (22.2)
	s.obliquity = (mean + 0.00256*cosNode) * degree                  // (25.8)
	sinL, cosL := math.Sincos(s.apparentLongitude)
	sinE, cosE := math.Sincos(s.obliquity)
	s.rightAscension = math.Atan2(cosE*sinL, cosL) // (25.6)
	s.declination = math.Asin(sinE * sinL)         // (25.7)
	s.equinoxes = nutation * cosE
	return s
}
