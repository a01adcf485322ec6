package locator

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func mustParse(t testing.TB, s string) Locator {
	t.Helper()
	l, err := Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// apart is the difference of two bearings in degrees, the short way round.
func apart(a, b float64) float64 { return math.Abs(math.Remainder(a-b, 360)) }

// Between locator centres: ellipsoid by GeodSolve 2.1.2 on WGS 84, sphere of
// 6371.0088 km, both to the digits of the file.
func TestDistanceExamples(t *testing.T) {
	text, err := os.ReadFile("testdata/distance-examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var examples struct {
		Rows []struct {
			From          string  `json:"from_"`
			To            string  `json:"to"`
			Azimuth       float64 `json:"azimuth_deg"`
			Back          float64 `json:"back_azimuth_deg"`
			Km            float64 `json:"distance_km"`
			SphereAzimuth float64 `json:"sphere_azimuth_deg"`
			SphereKm      float64 `json:"sphere_distance_km"`
		} `json:"rows"`
	}
	if err := json.Unmarshal(text, &examples); err != nil {
		t.Fatal(err)
	}
	if len(examples.Rows) < 10 {
		t.Fatalf("%d examples", len(examples.Rows))
	}
	const km, degrees = 0.00051, 0.00051 // half of the last digit
	for _, row := range examples.Rows {
		a, b := mustParse(t, row.From).Centre(), mustParse(t, row.To).Centre()
		if row.From == row.To { // undefined: the file has another convention
			row.Azimuth, row.Back, row.SphereAzimuth = 0, 180, 0
		}
		g := Inverse(a, b)
		if math.Abs(g.Metres/1000-row.Km) > km || apart(g.Azimuth, row.Azimuth) > degrees || apart(g.BackBearing, row.Back) > degrees {
			t.Errorf("%s to %s: %+v, want %v km, %v, back %v", row.From, row.To, g, row.Km, row.Azimuth, row.Back)
		}
		if d, az := SphereKm(a, b), SphereAzimuth(a, b); math.Abs(d-row.SphereKm) > km || apart(az, row.SphereAzimuth) > degrees {
			t.Errorf("%s to %s on the sphere: %v km, %v; want %v km, %v", row.From, row.To, d, az, row.SphereKm, row.SphereAzimuth)
		}
	}
}

// The example of GeographicLib's manual page of GeodSolve.
func TestInversePublishedExample(t *testing.T) {
	dms := func(d, m, s float64) float64 { return d + m/60 + s/3600 }
	g := Inverse(Position{dms(40, 38, 23), -dms(73, 46, 44)}, Position{dms(1, 21, 33), dms(103, 59, 22)})
	const tenthSecond = 0.05 / 3600
	if math.Abs(g.Metres-15347628) > 0.5 ||
		apart(g.Azimuth, dms(3, 18, 29.9)) > tenthSecond ||
		apart(g.BackBearing, dms(177, 29, 9.2)+180) > tenthSecond {
		t.Errorf("%+v", g)
	}
}

// 72 pairs by GeodSolve 2.1.2: anywhere, near, nearly opposite, along the
// equator, at the poles.
func TestInverseAgainstGeodSolve(t *testing.T) {
	text, err := os.ReadFile("testdata/geodesics.txt")
	if err != nil {
		t.Fatal(err)
	}
	rows := 0
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		var kind string
		var a, b Position
		var azimuth1, azimuth2, metres float64
		if _, err := fmt.Sscan(line, &kind, &a.Latitude, &a.Longitude, &b.Latitude, &b.Longitude, &azimuth1, &azimuth2, &metres); err != nil {
			t.Fatal(err)
		}
		rows++
		g := Inverse(a, b)
		// A sideways error of a micrometre turns a short line by more.
		angle := 1e-6 + 1e-6/math.Max(metres, 1)/degree
		if math.Abs(g.Metres-metres) > 1e-6 || apart(g.Azimuth, azimuth1) > angle || apart(g.BackBearing, azimuth2+180) > angle {
			t.Errorf("%s %v %v: %+v, want %v m, %v, back %v", kind, a, b, g, metres, azimuth1, azimuth2+180)
		}
	}
	if rows != 72 {
		t.Fatalf("%d rows", rows)
	}
}

// The series against the integrals that they expand, by Simpson's rule.
func TestSeriesAgainstQuadrature(t *testing.T) {
	for _, k2 := range []float64{0, second2 / 3, second2} {
		root := math.Sqrt(1 + k2)
		epsilon := k2 / ((root + 1) * (root + 1))
		w := func(sigma float64) float64 { s := math.Sin(sigma); return math.Sqrt(1 + k2*s*s) }
		for _, c := range []struct {
			name      string
			series    series
			integrand func(float64) float64
		}{
			{"distance", distanceSeries(epsilon), w},
			{"spread", spreadSeries(epsilon), func(s float64) float64 { return 1 / w(s) }},
			{"longitude", longitudeSeries(epsilon), func(s float64) float64 { return (2 - flattening) / (1 + (1-flattening)*w(s)) }},
		} {
			for _, sigma := range []float64{0.1, 1, 2.5, 3.1} {
				if got, want := c.series.at(sigma), simpson(c.integrand, sigma); math.Abs(got-want) > 1e-13 {
					t.Errorf("%s, k² %v, σ %v: %v, want %v", c.name, k2, sigma, got, want)
				}
			}
		}
	}
}

func simpson(f func(float64) float64, to float64) float64 {
	const n = 2000
	h, sum := to/n, f(0)+f(to)
	for i := 1; i < n; i++ {
		sum += float64(2+2*(i%2)) * f(float64(i)*h)
	}
	return sum * h / 3
}

func positions() *rapid.Generator[Position] {
	return rapid.Custom(func(t *rapid.T) Position {
		return Position{rapid.Float64Range(-90, 90).Draw(t, "latitude"), rapid.Float64Range(-180, 180).Draw(t, "longitude")}
	})
}

// What must hold of every pair: the way back is as long with the bearings
// exchanged; mirrored pairs are as long; sphere and ellipsoid differ by less
// than 0.6 %; nothing is longer than half a meridian.
func TestInverseProperties(t *testing.T) {
	const halfMeridian = 20003931.4587 // metres, GeodSolve 2.1.2, pole to pole
	rapid.Check(t, func(t *rapid.T) {
		a, b := positions().Draw(t, "a"), positions().Draw(t, "b")
		if rapid.Bool().Draw(t, "opposite") {
			b = Position{-a.Latitude, a.Longitude + 180 + rapid.Float64Range(-1, 1).Draw(t, "off")}
		}
		g, back := Inverse(a, b), Inverse(b, a)
		inRange := g.Metres >= 0 && g.Metres <= halfMeridian+0.001 &&
			g.Azimuth >= 0 && g.Azimuth < 360 && g.BackBearing >= 0 && g.BackBearing < 360
		if !inRange {
			t.Fatalf("%+v", g)
		}
		if math.Abs(g.Metres-back.Metres) > 1e-6 {
			t.Fatalf("there %v m, back %v m", g.Metres, back.Metres)
		}
		a.Latitude, b.Latitude = -a.Latitude, -b.Latitude
		if m := Inverse(a, b); math.Abs(g.Metres-m.Metres) > 1e-6 {
			t.Fatalf("%v m, mirrored %v m", g.Metres, m.Metres)
		}
		if km := SphereKm(a, b); math.Abs(km-g.Metres/1000) > 0.006*km+1e-9 {
			t.Fatalf("sphere %v km, ellipsoid %v m", km, g.Metres)
		}
	})
}

func TestEqualPoints(t *testing.T) {
	for _, pair := range [][2]Position{
		{{52.5, 13}, {52.5, 13}},
		{{0, 0}, {0, 0}},
		{{0, 180}, {0, -180}},
		{{10, 5}, {10, 365}},
		{{90, 10}, {90, -70}},
		{{-90, 10}, {-90, 170}},
	} {
		if got := Inverse(pair[0], pair[1]); got != (Geodesic{BackBearing: 180}) {
			t.Errorf("%v: %+v, want 0 m, azimuth 0, back 180", pair, got)
		}
	}
	if got := SphereAzimuth(Position{52.5, 13}, Position{52.5, 13}); got != 0 {
		t.Errorf("on the sphere: %v, want 0", got)
	}
}

func BenchmarkInverse(b *testing.B) {
	from, to := Position{52.520833, 13.375}, Position{-41.270833, 174.708333}
	for b.Loop() {
		Inverse(from, to)
	}
}
