package fleet

import (
	"slices"
	"strings"
	"testing"

	"lamplighter/proto/onair/band"
)

func TestFitsBand(t *testing.T) {
	forty, _ := band.Standard().Lookup("40m") // window 7040000 to 7040200 Hz
	segment := func(from, to int64, limit int) Segment { return Segment{from, to, limit} }
	tests := []struct {
		name   string
		change func(*Beacon)
		want   []Range
		why    Unusable
	}{
		{"a perfect oscillator", func(*Beacon) {}, []Range{{7040003, 7040197}}, ""},
		// u = 10e-6 · (7038600 + 1500) = 70.401 Hz
		{"10 ppm", func(b *Beacon) { b.Uncertainty = Whole(10) }, []Range{{7040073.401, 7040126.599}}, ""},
		{"14 ppm", func(b *Beacon) { b.Uncertainty = Whole(14) }, nil, NoRoom},
		{"another filter", func(b *Beacon) { b.Filters = []Filter{{Name: "lp-20", Passes: []string{"20m"}}} }, nil, NoFilter},
		{"a relay's filter", func(b *Beacon) { b.Filters = []Filter{{Name: "lp-40", Passes: []string{"40m"}}} }, []Range{{7040003, 7040197}}, ""},
		{"a plug on the shelf", func(b *Beacon) { b.Filters = []Filter{{Name: "lp-40", Passes: []string{"40m"}, Plug: true}} }, nil, NoFilter},
		{"a plug in place", func(b *Beacon) {
			b.Filters, b.Plugged = []Filter{{Name: "lp-40", Passes: []string{"40m"}, Plug: true}}, "lp-40"
		}, []Range{{7040003, 7040197}}, ""},
		{"licence below the power", func(b *Beacon) { b.Licence.MaxPowerDBm = 20 }, nil, OverLicence},
		{"a wide segment", func(b *Beacon) { b.Licence.Segments = []Segment{segment(7000000, 7200000, 23)} }, []Range{{7040003, 7040197}}, ""},
		{"a weak segment", func(b *Beacon) { b.Licence.Segments = []Segment{segment(7000000, 7200000, 20)} }, nil, OverSegment},
		{"a segment elsewhere", func(b *Beacon) { b.Licence.Segments = []Segment{segment(7000000, 7040000, 23)} }, nil, OutsideLicence},
		{"a segment that cuts", func(b *Beacon) { b.Licence.Segments = []Segment{segment(7000000, 7040100, 23)} }, []Range{{7040003, 7040097}}, ""},
		{"a segment just too narrow", func(b *Beacon) { b.Licence.Segments = []Segment{segment(7040100, 7040105, 23)} }, nil, OutsideLicence},
		{"a segment just wide enough", func(b *Beacon) { b.Licence.Segments = []Segment{segment(7040100, 7040106, 23)} }, []Range{{7040103, 7040103}}, ""},
		{"neighbours, not to be straddled", func(b *Beacon) {
			b.Licence.Segments = []Segment{segment(7040100, 7041000, 23), segment(7000000, 7040100, 23)}
		}, []Range{{7040003, 7040097}, {7040103, 7040197}}, ""},
		{"overlapping", func(b *Beacon) {
			b.Licence.Segments = []Segment{segment(7040080, 7041000, 23), segment(7000000, 7040100, 23)}
		}, []Range{{7040003, 7040197}}, ""},
	}
	for _, tt := range tests {
		b := &Beacon{PowerDBm: 23, Licence: Licence{MaxPowerDBm: 23}}
		tt.change(b)
		got, why := (&Fleet{}).FitsBand(b, BandUse{Band: forty, PowerDBm: 23})
		if !slices.EqualFunc(got, tt.want, func(a, b Range) bool { return alike(a.LowHz, b.LowHz) && alike(a.HighHz, b.HighHz) }) || why != tt.why {
			t.Errorf("%s: %v %q, want %v %q", tt.name, got, why, tt.want, tt.why)
		}
	}
}

func alike(a, b float64) bool { return max(a, b)-min(a, b) < 1e-6 }

// TestNear uses distances between locator centres on the sphere that were
// computed by a public geodesic tool: IO91WM to JN58TD is 921.151 km.
func TestNear(t *testing.T) {
	tests := []struct {
		network string
		band    string
		want    bool
	}{
		{"near_km: 921.1", "40m", false},
		{"near_km: 921.2", "40m", true},
		{"near_km: {default: 100, 40m: 922}", "40m", true},
		{"near_km: {default: 100, 40m: 922}", "20m", false},
		{"near_km: {40m: 922}", "20m", false},
		{"near: [[a, b]]", "40m", true},
		{"near: [[b, a]]", "40m", true},
		{"near_km: 2000, apart: [[a, b]]", "40m", false},
		{"near_km: 2000, apart: [[b, a]]", "40m", false},
	}
	for _, tt := range tests {
		text := strings.Replace(strings.Replace(minimal, "JO62qm", "IO91WM", 1), "FN42ax", "JN58TD", 1)
		f := mustRead(t, strings.Replace(text, "name: Little Net", "name: Little Net, "+tt.network, 1))
		a, b := f.Site("a"), f.Site("b")
		if f.Near(a, b, tt.band) != tt.want || f.Near(b, a, tt.band) != tt.want {
			t.Errorf("%s on %s: not %v", tt.network, tt.band, tt.want)
		}
		if !f.Near(a, a, tt.band) {
			t.Error("a site is near itself")
		}
	}
}
