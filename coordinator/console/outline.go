package console

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/binary"
	"fmt"
	"io"
	"strings"
	"sync"

	"lamplighter/proto/onair/locator"
)

// outline.gz is the land of the world, from Natural Earth's 1:50m physical
// vectors (naturalearthdata.com, public domain). Each ring is the number of its
// points and the points, longitude before latitude, as differences in hundredths
// of a degree; all numbers are variable-length integers.
//
//go:embed outline.gz
var outlineFile []byte

// outline are the rings of the land.
var outline = sync.OnceValue(func() [][]locator.Position {
	unpacked, err := gzip.NewReader(bytes.NewReader(outlineFile))
	if err != nil {
		panic(err) // it is compiled in
	}
	numbers, err := io.ReadAll(unpacked)
	if err != nil {
		panic(err)
	}
	next := func() int64 {
		value, length := binary.Varint(numbers)
		numbers = numbers[length:]
		return value
	}
	var rings [][]locator.Position
	for len(numbers) > 0 {
		ring := make([]locator.Position, next())
		var longitude, latitude int64
		for i := range ring {
			longitude, latitude = longitude+next(), latitude+next()
			ring[i] = locator.Position{Latitude: float64(latitude) / 100, Longitude: float64(longitude) / 100}
		}
		rings = append(rings, ring)
	}
	return rings
})

// landPath draws the land that shows in a window, cut a little outside of its
// edges, so that no shore seems to run along them.
func landPath(p projection) string {
	var path strings.Builder
	around := p
	around.west, around.east = p.west-(p.east-p.west)/50, p.east+(p.east-p.west)/50
	around.south, around.north = p.south-(p.north-p.south)/50, p.north+(p.north-p.south)/50
	for _, ring := range outline() {
		for i, at := range clip(ring, around) {
			verb := "L"
			if i == 0 {
				verb = "M"
			}
			x, y := p.xy(at)
			fmt.Fprintf(&path, "%s%.0f %.0f", verb, x, y)
		}
	}
	return path.String()
}

// clip cuts a ring at the four edges of a window, one after the other
// (Sutherland and Hodgman, "Reentrant polygon clipping", 1974; from memory).
func clip(ring []locator.Position, p projection) []locator.Position {
	for _, edge := range []struct {
		inside func(locator.Position) bool
		at     func(a, b locator.Position) float64 // the part of the way from a to b at which it is crossed
	}{
		{func(q locator.Position) bool { return q.Longitude >= p.west }, func(a, b locator.Position) float64 { return (p.west - a.Longitude) / (b.Longitude - a.Longitude) }},
		{func(q locator.Position) bool { return q.Longitude <= p.east }, func(a, b locator.Position) float64 { return (p.east - a.Longitude) / (b.Longitude - a.Longitude) }},
		{func(q locator.Position) bool { return q.Latitude >= p.south }, func(a, b locator.Position) float64 { return (p.south - a.Latitude) / (b.Latitude - a.Latitude) }},
		{func(q locator.Position) bool { return q.Latitude <= p.north }, func(a, b locator.Position) float64 { return (p.north - a.Latitude) / (b.Latitude - a.Latitude) }},
	} {
		var kept []locator.Position
		for i, b := range ring {
			a := ring[(i+len(ring)-1)%len(ring)]
			if edge.inside(a) != edge.inside(b) {
				part := edge.at(a, b)
				kept = append(kept, locator.Position{
					Latitude: a.Latitude + part*(b.Latitude-a.Latitude), Longitude: a.Longitude + part*(b.Longitude-a.Longitude),
				})
			}
			if edge.inside(b) {
				kept = append(kept, b)
			}
		}
		ring = kept
	}
	return ring
}
