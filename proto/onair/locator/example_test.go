package locator_test

import (
	"fmt"
	"time"

	"lamplighter/proto/onair/locator"
)

func ExampleParse() {
	place, err := locator.Parse("jo62qm12")
	fmt.Println(place, place.Truncate(4), err)
	_, err = locator.Parse("JO6ZQM")
	fmt.Println(err)
	// Output:
	// JO62QM12 JO62 <nil>
	// locator "JO6ZQM": character 4 must be 0 to 9 (square)
}

func ExampleInverse() {
	from, _ := locator.Parse("JO62QM")
	to, _ := locator.Parse("FN42AX")
	way := locator.Inverse(from.Centre(), to.Centre())
	fmt.Printf("%.0f km, bearing %.0f°, back %.0f°\n", way.Metres/1000, way.Azimuth, way.BackBearing)
	fmt.Printf("%.0f km on the sphere\n", locator.SphereKm(from.Centre(), to.Centre()))
	// Output:
	// 6105 km, bearing 297°, back 48°
	// 6087 km on the sphere
}

func ExampleSunAt() {
	sun := locator.SunAt(time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC))
	for _, name := range []string{"JO62QM", "RE78IR"} {
		place, _ := locator.Parse(name)
		fmt.Printf("%s: %.0f°\n", place, sun.Elevation(place.Centre()))
	}
	// Output:
	// JO62QM: 59°
	// RE78IR: -72°
}
