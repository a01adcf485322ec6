package gpsd

import (
	"encoding/json"
	"fmt"
	"math"
	"time"
)

// MaxLine is how long an object may be. The longest, SKY, has some 150 bytes
// for each satellite.
const MaxLine = 1 << 16

// TPV is time, position and velocity.
type TPV struct {
	Device      string     `json:"device"`
	Mode        int        `json:"mode"`   // 0 nothing seen yet, 1 no fix, 2 2D, 3 3D
	Status      int        `json:"status"` // 2 … 9, see the manual; 0: not said
	Time        *time.Time `json:"time"`
	LeapSeconds *int       `json:"leapseconds"`
	Latitude    *float64   `json:"lat"`
	Longitude   *float64   `json:"lon"`
	Altitude    *float64   `json:"altMSL"` // metres
}

// SKY is the view of the sky. Some of these objects carry no satellites.
type SKY struct {
	Device     string   `json:"device"`
	Seen       *uint32  `json:"nSat"`
	Used       *uint32  `json:"uSat"`
	HDOP       *float64 `json:"hdop"`
	Satellites []struct {
		Used bool `json:"used"`
	} `json:"satellites"`
}

// Pair is a moment on the receiver's clock and on the wall clock: of a pulse in
// PPS, of the arrival of the data in TOFF.
type Pair struct {
	Device    string `json:"device"`
	RealSec   int64  `json:"real_sec"`
	RealNsec  int64  `json:"real_nsec"`
	ClockSec  int64  `json:"clock_sec"`
	ClockNsec int64  `json:"clock_nsec"`
	Precision *int   `json:"precision"` // of PPS: a power of two, in seconds
}

// PPS is the pulse.
type PPS struct{ Pair }

// TOFF is the arrival of the data.
type TOFF struct{ Pair }

// OSC is the state of an oscillator that the receiver disciplines.
type OSC struct {
	Device      string `json:"device"`
	Running     bool   `json:"running"`
	Reference   bool   `json:"reference"`
	Disciplined bool   `json:"disciplined"`
	Delta       int64  `json:"delta"` // nanoseconds between its pulse and the receiver's
}

// Version is the daemon's greeting.
type Version struct {
	Release string `json:"release"`
	Major   int    `json:"proto_major"`
}

// Failure is what the daemon says it can't do.
type Failure struct {
	Message string `json:"message"`
}

// Real is the receiver's time.
func (p Pair) Real() time.Time { return time.Unix(p.RealSec, p.RealNsec).UTC() }

// Clock is the wall clock's.
func (p Pair) Clock() time.Time { return time.Unix(p.ClockSec, p.ClockNsec).UTC() }

// Offset is wall clock less receiver.
func (p Pair) Offset() time.Duration { return p.Clock().Sub(p.Real()) }

// pulseBound is how wrong a pulse may be at the least.
const pulseBound = time.Millisecond

// Bound is how wrong Clock may be.
func (p Pair) Bound() time.Duration {
	if p.Precision == nil || *p.Precision >= 0 {
		return time.Second
	}
	return max(pulseBound, time.Duration(math.Ldexp(float64(time.Second), *p.Precision)))
}

func (p Pair) check() error {
	const second, far = 1_000_000_000, 1 << 33
	for _, v := range []int64{p.RealNsec, p.ClockNsec} {
		if v < 0 || v >= second {
			return fmt.Errorf("%d nanoseconds, and a second has 0 to 999999999", v)
		}
	}
	for _, v := range []int64{p.RealSec, p.ClockSec} {
		if v < 0 || v > far {
			return fmt.Errorf("%d is no time of this age", v)
		}
	}
	return nil
}

// Decode reads one line: TPV, SKY, PPS, TOFF, OSC, Version or Failure; nil: of
// a class that is of no use here.
func Decode(line []byte) (any, error) {
	if len(line) > MaxLine {
		return nil, fmt.Errorf("%d bytes in one object, and at most %d are read", len(line), MaxLine)
	}
	var head struct {
		Class string `json:"class"`
	}
	if err := json.Unmarshal(line, &head); err != nil {
		return nil, err
	}
	switch head.Class {
	case "TPV":
		return into[TPV](line)
	case "SKY":
		return into[SKY](line)
	case "PPS":
		p, err := into[Pair](line)
		return PPS{p}, orElse(err, p.check())
	case "TOFF":
		p, err := into[Pair](line)
		return TOFF{p}, orElse(err, p.check())
	case "OSC":
		return into[OSC](line)
	case "VERSION":
		return into[Version](line)
	case "ERROR":
		return into[Failure](line)
	}
	return nil, nil
}

func into[T any](line []byte) (T, error) {
	var report T
	err := json.Unmarshal(line, &report)
	return report, err
}

func orElse(first, second error) error {
	if first != nil {
		return first
	}
	return second
}
