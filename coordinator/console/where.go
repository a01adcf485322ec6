package console

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"

	"lamplighter/coordinator/fleet"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
	"lamplighter/proto/onair/locator"
)

// The size of the map, in units of its drawing.
const mapWide, mapHigh = 1000.0, 640.0

// mapDrawn is the sites on the outline of the land, in a projection that keeps
// shapes right around the middle of the network: equirectangular, with degrees
// of longitude as short as they are there.
type mapDrawn struct {
	Land   string
	Grid   []gridLine
	Near   []nearLine
	Sites  []siteDrawn
	Groups []nearGroup
}

type gridLine struct {
	Path, Words string
	X, Y        float64
}

type nearLine struct{ X1, Y1, X2, Y2 float64 }

type siteDrawn struct {
	*fleet.Site
	X, Y    float64
	NameY   float64
	Left    bool // its name stands on the left
	OnAir   int
	Needs   int
	Shape   string
	Beacons []*apiv1.Beacon
}

// nearGroup lists what is near what.
type nearGroup struct {
	A, B       string
	Kilometres float64
	Bearing    float64
	Bands      []string // on which they count as one place
}

// projection is a window on the globe.
type projection struct {
	west, north, perLongitude, perLatitude float64
	east, south                            float64
}

func (p projection) xy(at locator.Position) (x, y float64) {
	return (at.Longitude - p.west) * p.perLongitude, (p.north - at.Latitude) * p.perLatitude
}

// around is a window with room around all sites, at least two degrees high.
func around(sites []*fleet.Site) projection {
	west, east, south, north := 180.0, -180.0, 90.0, -90.0
	for _, s := range sites {
		at := s.Locator.Centre()
		west, east = min(west, at.Longitude), max(east, at.Longitude)
		south, north = min(south, at.Latitude), max(north, at.Latitude)
	}
	middle := locator.Position{Latitude: (south + north) / 2, Longitude: (west + east) / 2}
	shrink := max(0.1, math.Cos(middle.Latitude*math.Pi/180))
	high := max(2, (north-south)*1.5, (east-west)*1.3*shrink*mapHigh/mapWide)
	wide := high / shrink * mapWide / mapHigh
	return projection{
		west: middle.Longitude - wide/2, east: middle.Longitude + wide/2,
		north: middle.Latitude + high/2, south: middle.Latitude - high/2,
		perLongitude: mapWide / wide, perLatitude: mapHigh / high,
	}
}

func (c *Console) drawMap(ctx context.Context, n network) (mapDrawn, error) {
	window := around(n.Sites)
	drawn := mapDrawn{Land: landPath(window), Grid: gridOf(window)}
	listed, err := c.beacons.ListBeacons(ctx, &apiv1.ListBeaconsRequest{})
	if err != nil {
		return drawn, err
	}
	for i, s := range n.Sites {
		x, y := window.xy(s.Locator.Centre())
		site := siteDrawn{Site: s, X: x, Y: y, Left: x > mapWide*0.75, Shape: "ready"}
		hushed := 0
		for _, b := range listed.GetBeacons() {
			if b.GetSite() != s.Name {
				continue
			}
			site.Beacons = append(site.Beacons, b)
			switch state := conditions[b.GetState()]; {
			case state.Shape == "onair":
				site.OnAir++
			case state.Needs:
				site.Needs++
			case state.Shape == "hushed":
				hushed++
			}
		}
		switch {
		case site.OnAir > 0:
			site.Shape = "onair"
		case site.Needs > 0:
			site.Shape = "mute"
		case hushed > 0 && hushed == len(site.Beacons):
			site.Shape = "hushed"
		}
		site.NameY = drawn.freeLine(y+6, x)
		drawn.Sites = append(drawn.Sites, site)
		for _, other := range n.Sites[:i] {
			drawn.pair(n, window, s, other)
		}
	}
	slices.SortFunc(drawn.Groups, func(a, b nearGroup) int { return strings.Compare(a.A+" "+a.B, b.A+" "+b.A+b.B) })
	return drawn, nil
}

// freeLine is where a name can stand without covering that of a site drawn
// before: below it, if need be.
func (d *mapDrawn) freeLine(y, x float64) float64 {
	const tall, wide = 30, 330
	for range d.Sites {
		for _, s := range d.Sites {
			if math.Abs(s.NameY-y) < tall && math.Abs(s.X-x) < wide {
				y = s.NameY + tall
			}
		}
	}
	return y
}

// pair notes two sites that count as one place on a band that both use.
func (d *mapDrawn) pair(n network, window projection, a, b *fleet.Site) {
	var bands []string
	for _, name := range n.bandNames() {
		if n.Near(a, b, name) {
			bands = append(bands, name)
		}
	}
	here, there := a.Locator.Centre(), b.Locator.Centre()
	way := locator.Inverse(here, there)
	d.Groups = append(d.Groups, nearGroup{a.Name, b.Name, way.Metres / 1000, way.Azimuth, bands})
	if len(bands) > 0 {
		x1, y1 := window.xy(here)
		x2, y2 := window.xy(there)
		d.Near = append(d.Near, nearLine{x1, y1, x2, y2})
	}
}

// gridOf draws the locator squares, two degrees by one, or their fields where
// there would be too many.
func gridOf(p projection) (lines []gridLine) {
	wide, high, characters := 2.0, 1.0, 4
	if p.north-p.south > 25 {
		wide, high, characters = 20, 10, 2
	}
	for west := math.Floor(p.west/wide) * wide; west < p.east; west += wide {
		for south := math.Floor(p.south/high) * high; south < p.north; south += high {
			centre := locator.Position{Latitude: south + high/2, Longitude: west + wide/2}
			if math.Abs(centre.Latitude) > 90 || math.Abs(centre.Longitude) > 180 {
				continue
			}
			square, err := locator.At(centre, 4)
			if err != nil {
				continue
			}
			x, y := p.xy(locator.Position{Latitude: south + high, Longitude: west})
			named := max(x, 0) + 8 // of a square that begins outside, on what is in sight
			if named > min(mapWide, x+wide*p.perLongitude)-70 {
				named = -mapWide
			}
			lines = append(lines, gridLine{
				fmt.Sprintf("M%.1f %.1fh%.1fv%.1f", x, y, wide*p.perLongitude, high*p.perLatitude), square.String()[:characters], named, y + 22,
			})
		}
	}
	return lines
}

func (c *Console) showWhere(w http.ResponseWriter, r *http.Request) error {
	n, err := c.network(r.Context())
	if err != nil {
		return err
	}
	if n.Fleet == nil {
		http.Redirect(w, r, "/start", http.StatusSeeOther)
		return nil
	}
	drawn, err := c.drawMap(r.Context(), n)
	if err != nil {
		return err
	}
	c.render(w, r, http.StatusOK, "where", frame{Title: "Where", Tab: "/where", Body: drawn})
	return nil
}
