package nmea

import (
	"time"

	"lamplighter/agent/clock/judge"
)

// Receiver turns sentences into what package judge hears. It is for one
// goroutine; the zero value has heard nothing.
type Receiver struct {
	recommended *judge.Fix // by RMC; nil: not heard
	quality     *judge.Fix // by GGA; nil: not heard
}

// Hear takes in a sentence. It gives an event where there is something new for
// the clock: a time, or how many satellites are used.
func (r *Receiver) Hear(s Sentence) (judge.Event, error) {
	switch s.Type {
	case "RMC":
		m, err := DecodeRMC(s)
		if err != nil {
			return nil, err
		}
		fix := recommended(m)
		r.recommended = &fix
		return judge.Sentence{Time: m.Time, Fix: r.fix()}, nil
	case "ZDA":
		t, err := DecodeZDA(s)
		if err != nil || t.IsZero() {
			return nil, err
		}
		return judge.Sentence{Time: t, Fix: r.fix()}, nil
	case "GGA":
		m, err := DecodeGGA(s)
		if err != nil {
			return nil, err
		}
		fix := quality(m.Quality)
		r.quality = &fix
		return judge.Satellites{Used: m.Satellites}, nil
	}
	return nil, nil
}

func recommended(m RMC) judge.Fix {
	switch {
	case !m.Valid, m.Mode == 'N':
		return judge.FixNone
	case m.Mode == 'E', m.Mode == 'M', m.Mode == 'S':
		return judge.FixDoubted
	}
	return judge.FixReal
}

func quality(q int) judge.Fix {
	switch {
	case q == 0:
		return judge.FixNone
	case q <= 5:
		return judge.FixReal
	}
	return judge.FixDoubted
}

// fix is the worse of what RMC and GGA say, of those that are sent at all.
func (r *Receiver) fix() judge.Fix {
	switch {
	case r.recommended == nil && r.quality == nil:
		return judge.FixNone
	case r.recommended == nil:
		return *r.quality
	case r.quality == nil:
		return *r.recommended
	}
	return min(*r.recommended, *r.quality)
}

// silence is how long a receiver may say nothing.
const silence = 5 * time.Second
