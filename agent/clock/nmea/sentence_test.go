package nmea

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// Widely reprinted example sentences of NMEA 0183 (from memory; the checksums
// were computed anew and are right).
const (
	exampleGGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
	exampleRMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
	exampleGLL = "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D"
	exampleGSA = "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39"
	exampleVTG = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
	exampleGSV = "$GPGSV,2,1,08,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45*75"
)

func decode[T any](t *testing.T, line string, with func(Sentence) (T, error)) T {
	t.Helper()
	s, err := Parse(line + "\r\n")
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	if s.Talker != "GP" {
		t.Errorf("%s: the talker is %q", line, s.Talker)
	}
	m, err := with(s)
	if err != nil {
		t.Errorf("%s: %v", line, err)
	}
	return m
}

func TestExampleSentences(t *testing.T) {
	near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })
	noon := 12*time.Hour + 35*time.Minute + 19*time.Second
	evening := 22*time.Hour + 54*time.Minute + 44*time.Second
	place := &Position{48 + 7.038/60, 11 + 31.0/60}
	for _, test := range []struct{ got, want any }{
		{decode(t, exampleRMC, DecodeRMC), RMC{Time: time.Date(1994, 3, 23, 12, 35, 19, 0, time.UTC), Valid: true, Position: place}},
		{decode(t, exampleGGA, DecodeGGA), GGA{SinceMidnight: &noon, Position: place, Quality: 1, Satellites: 8, HDOP: 0.9, Altitude: 545.4}},
		{decode(t, exampleGLL, DecodeGLL), GLL{SinceMidnight: &evening, Position: &Position{49 + 16.45/60, -(123 + 11.12/60)}, Valid: true}},
		{decode(t, exampleGSA, DecodeGSA), GSA{Mode: 3, Used: []int{4, 5, 9, 12, 24}, PDOP: 2.5, HDOP: 1.3, VDOP: 2.1}},
		{decode(t, exampleVTG, DecodeVTG), VTG{CourseTrue: 54.7, SpeedKnots: 5.5}},
		{decode(t, exampleGSV, DecodeGSV), GSV{InView: 8, Seen: []Satellite{{1, 40, 83, 46}, {2, 17, 308, 41}, {12, 7, 344, 39}, {14, 22, 228, 45}}}},
	} {
		if diff := cmp.Diff(test.want, test.got, near); diff != "" {
			t.Error(diff)
		}
	}
}

// sealed gives a body its frame and checksum.
func sealed(body string) string {
	var sum byte
	for i := range len(body) {
		sum ^= body[i]
	}
	const digits = "0123456789ABCDEF"
	return "$" + body + "*" + string(digits[sum>>4]) + string(digits[sum&15])
}

func TestNoSentences(t *testing.T) {
	for _, test := range []struct {
		name, line string
		want       error
	}{
		{"nothing", "", ErrFrame},
		{"a bit flipped", strings.Replace(exampleRMC, "4807", "4817", 1), ErrChecksum},
		{"the checksum cut", exampleRMC[:len(exampleRMC)-1], ErrFrame},
		{"the beginning cut", exampleRMC[1:], ErrFrame},
		{"no checksum", "$GPRMC,123519,A", ErrFrame},
		{"a checksum of no digits", "$GPRMC,1*zz", ErrFrame},
		{"two run together", exampleRMC[:30] + exampleRMC, ErrFrame},
		{"too long", sealed("GPGGA," + strings.Repeat("1", MaxLine)), ErrLength},
		{"a byte that is no text", sealed("GPGGA,\xff"), ErrFrame},
		{"a short name", sealed("GP,1"), ErrAddress},
		{"proprietary", sealed("PUBX,00"), nil},
	} {
		if _, err := Parse(test.line); !errors.Is(err, test.want) {
			t.Errorf("%s: %v, want %v", test.name, err, test.want)
		}
	}
}

func TestTimes(t *testing.T) {
	for _, test := range []struct{ line, want string }{
		{"GPRMC,235959.250,A,,,,,,,311226,,,A", "2026-12-31T23:59:59.25Z"},
		{"GPRMC,235960,A,,,,,,,311226,,,A", "2027-01-01T00:00:00Z"},
		{"GPRMC,000000,A,,,,,,,290228,,,A", "2028-02-29T00:00:00Z"},
		{"GPRMC,000000,V,,,,,,,,,,N", ""},
		{"GPRMC,,V,,,,,,,010126,,,N", ""},
		{"GPRMC,000000,A,,,,,,,290227,,,A", "error"},
		{"GPRMC,000000,A,,,,,,,000127,,,A", "error"},
		{"GPRMC,000000,A,,,,,,,0101270,,,A", "error"},
		{"GPRMC,240000,A,,,,,,,010127,,,A", "error"},
		{"GPRMC,006000,A,,,,,,,010127,,,A", "error"},
		{"GPRMC,000061,A,,,,,,,010127,,,A", "error"},
		{"GPRMC,1,A,,,,,,,010127,,,A", "error"},
		{"GPRMC,NaN,A,,,,,,,010127,,,A", "error"},
		{"GPZDA,201530.00,04,07,2027,00,00", "2027-07-04T20:15:30Z"},
		{"GPZDA,,,,,,", ""},
		{"GPZDA,201530.00,04,13,2027,00,00", "error"},
	} {
		s, err := Parse(sealed(test.line))
		if err != nil {
			t.Fatal(err)
		}
		var at time.Time
		if s.Type == "ZDA" {
			at, err = DecodeZDA(s)
		} else {
			var m RMC
			m, err = DecodeRMC(s)
			at = m.Time
		}
		got := ""
		switch {
		case err != nil:
			got = "error"
		case !at.IsZero():
			got = at.Format(time.RFC3339Nano)
		}
		if got != test.want {
			t.Errorf("%s: %q, want %q (%v)", test.line, got, test.want, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, line := range []string{exampleGGA, exampleRMC, exampleGLL, exampleGSA, exampleVTG, exampleGSV, sealed("GPZDA,201530.00,04,07,2027,00,00"), sealed("PUBX,00")} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		s, err := Parse(line)
		if err != nil {
			return
		}
		if again, err := Parse(sealed(s.Talker + s.Type + joined(s.Fields))); err != nil || !cmp.Equal(again, s) {
			t.Fatalf("%q came back as %v (%v)", line, again, err)
		}
		rmc, err := DecodeRMC(s)
		if err == nil && !rmc.Time.IsZero() && (rmc.Time.Year() < 1979 || rmc.Time.Year() > 2080) {
			t.Errorf("%q is of %v", line, rmc.Time)
		}
		gsa, _ := DecodeGSA(s)
		gsv, _ := DecodeGSV(s)
		if len(gsa.Used) > 12 || len(gsv.Seen) > 4 {
			t.Errorf("%q has %d and %d satellites", line, len(gsa.Used), len(gsv.Seen))
		}
		for _, position := range []func() *Position{
			func() *Position { m, _ := DecodeGGA(s); return m.Position },
			func() *Position { m, _ := DecodeGLL(s); return m.Position },
		} {
			if p := position(); p != nil && !(math.Abs(p.Latitude) <= 91 && math.Abs(p.Longitude) <= 181) {
				t.Errorf("%q is at %v", line, *p)
			}
		}
		_, _ = DecodeVTG(s)
		_, _ = DecodeZDA(s)
		_, _ = new(Receiver).Hear(s)
	})
}

func joined(fields []string) string {
	all := ""
	for _, f := range fields {
		all += "," + f
	}
	return all
}
