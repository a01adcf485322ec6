package nmea

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// Position is a place in degrees, north and east positive.
type Position struct{ Latitude, Longitude float64 }

// RMC is the recommended minimum: time, date and validity.
type RMC struct {
	Time     time.Time // zero: not said
	Valid    bool      // status A
	Mode     byte      // A, D, E, F, M, N, P, R, S; 0: not said (before NMEA 2.3)
	Position *Position // nil: not said
}

// GGA is the fix: its quality and the satellites in it.
type GGA struct {
	SinceMidnight *time.Duration // nil: not said
	Position      *Position
	Quality       int // 0 none, 1 GPS, 2 differential, 3 PPS, 4 and 5 RTK, 6 dead reckoning, 7 by hand, 8 simulated
	Satellites    uint32
	HDOP          float64 // 0: not said
	Altitude      float64 // metres; 0: not said
}

// GLL is a position with its time and validity.
type GLL struct {
	SinceMidnight *time.Duration
	Position      *Position
	Valid         bool
}

// GSA says which satellites are used.
type GSA struct {
	Mode             int // 1 no fix, 2 2D, 3 3D
	Used             []int
	PDOP, HDOP, VDOP float64
}

// GSV says which satellites are in view; one of a series of sentences.
type GSV struct {
	InView uint32
	Seen   []Satellite
}

// Satellite is one in view.
type Satellite struct{ Number, Elevation, Azimuth, Strength int }

// VTG is course and speed.
type VTG struct{ CourseTrue, SpeedKnots float64 }

// reader reads fields and keeps the first error.
type reader struct {
	s   Sentence
	err error
}

func (r *reader) fail(i int, want string) {
	if r.err == nil {
		r.err = fmt.Errorf("%s, field %d: %q is not %s", r.s.Type, i+1, r.s.field(i), want)
	}
}

func (r *reader) number(i int, low, high float64) float64 {
	text := r.s.field(i)
	if text == "" {
		return 0
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v >= low && v <= high) {
		r.fail(i, fmt.Sprintf("a number from %g to %g", low, high))
		return 0
	}
	return v
}

func (r *reader) whole(i, most int) int {
	v := r.number(i, 0, float64(most))
	if v != math.Trunc(v) {
		r.fail(i, "a whole number")
	}
	return int(v)
}

// sinceMidnight reads hhmmss.sss.
func (r *reader) sinceMidnight(i int) *time.Duration {
	text := r.s.field(i)
	if text == "" {
		return nil
	}
	v := r.number(i, 0, 240000)
	hours, minutes := math.Floor(v/10000), math.Mod(math.Floor(v/100), 100)
	seconds := math.Mod(v, 100)
	if len(text) < 6 || hours > 23 || minutes > 59 || seconds >= 61 {
		r.fail(i, "a time of day, hhmmss")
		return nil
	}
	d := time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute +
		time.Duration(math.Round(seconds*1000))*time.Millisecond
	return &d
}

// date makes an instant; a day that no month has is an error.
func (r *reader) date(i int, since *time.Duration, year, month, day int) time.Time {
	if since == nil || r.s.field(i) == "" {
		return time.Time{}
	}
	midnight := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	if midnight.Day() != day || int(midnight.Month()) != month {
		r.fail(i, "a date")
		return time.Time{}
	}
	return midnight.Add(*since)
}

// position reads ddmm.mmm, N or S, dddmm.mmm, E or W.
func (r *reader) position(i int) *Position {
	if r.s.field(i) == "" || r.s.field(i+2) == "" {
		return nil
	}
	degrees := func(i int, most float64, plus, minus string) float64 {
		v := r.number(i, 0, most*100)
		d := math.Floor(v/100) + math.Mod(v, 100)/60
		if math.Mod(v, 100) >= 60 || d > most {
			r.fail(i, "degrees and minutes")
		}
		switch r.s.field(i + 1) {
		case plus:
			return d
		case minus:
			return -d
		}
		r.fail(i+1, plus+" or "+minus)
		return 0
	}
	return &Position{degrees(i, 90, "N", "S"), degrees(i+2, 180, "E", "W")}
}
