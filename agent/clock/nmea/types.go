package nmea

import (
	"strconv"
	"time"
)

// DecodeRMC reads an RMC sentence. Years from 80 on are those of the last
// century.
func DecodeRMC(s Sentence) (RMC, error) {
	r := &reader{s: s}
	m := RMC{Valid: s.field(1) == "A", Position: r.position(2)}
	if mode := s.field(11); len(mode) == 1 {
		m.Mode = mode[0]
	}
	since := r.sinceMidnight(0)
	if text := s.field(8); text != "" {
		date, err := strconv.ParseUint(text, 10, 32)
		if err != nil || len(text) != 6 {
			r.fail(8, "a date, ddmmyy")
			return m, r.err
		}
		year := 2000 + int(date%100)
		if year >= 2080 {
			year -= 100
		}
		m.Time = r.date(8, since, year, int(date/100%100), int(date/10000))
	}
	return m, r.err
}

// DecodeZDA reads the time and date of a ZDA sentence; zero: it says none.
func DecodeZDA(s Sentence) (time.Time, error) {
	r := &reader{s: s}
	t := r.date(1, r.sinceMidnight(0), r.whole(3, 9999), r.whole(2, 12), r.whole(1, 31))
	return t, r.err
}

// DecodeGGA reads a GGA sentence.
func DecodeGGA(s Sentence) (GGA, error) {
	r := &reader{s: s}
	m := GGA{
		SinceMidnight: r.sinceMidnight(0), Position: r.position(1), Quality: r.whole(5, 9),
		Satellites: uint32(r.whole(6, 200)), HDOP: r.number(7, 0, 1000), Altitude: r.number(8, -1e4, 1e5),
	}
	return m, r.err
}

// DecodeGLL reads a GLL sentence.
func DecodeGLL(s Sentence) (GLL, error) {
	r := &reader{s: s}
	m := GLL{Position: r.position(0), SinceMidnight: r.sinceMidnight(4), Valid: s.field(5) == "A"}
	return m, r.err
}

// DecodeGSA reads a GSA sentence.
func DecodeGSA(s Sentence) (GSA, error) {
	r := &reader{s: s}
	m := GSA{Mode: r.whole(1, 3), PDOP: r.number(14, 0, 1000), HDOP: r.number(15, 0, 1000), VDOP: r.number(16, 0, 1000)}
	for i := 2; i < 14; i++ {
		if n := r.whole(i, 999); n > 0 {
			m.Used = append(m.Used, n)
		}
	}
	return m, r.err
}

// DecodeGSV reads a GSV sentence.
func DecodeGSV(s Sentence) (GSV, error) {
	r := &reader{s: s}
	m := GSV{InView: uint32(r.whole(2, 200))}
	for i := 3; i+3 < len(s.Fields) && len(m.Seen) < 4; i += 4 {
		one := Satellite{r.whole(i, 999), r.whole(i+1, 90), r.whole(i+2, 360), r.whole(i+3, 99)}
		m.Seen = append(m.Seen, one)
	}
	return m, r.err
}

// DecodeVTG reads a VTG sentence.
func DecodeVTG(s Sentence) (VTG, error) {
	r := &reader{s: s}
	m := VTG{CourseTrue: r.number(0, 0, 360), SpeedKnots: r.number(4, 0, 1e5)}
	return m, r.err
}
