package fleet

import (
	"fmt"
	"time"
)

// instant is an RFC 3339 time with its zone; its own type, because a YAML reader
// may turn a time that it can't read into the zero time.
type instant struct{ time.Time }

func (i *instant) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.RFC3339, string(text))
	if err != nil || t.Nanosecond() != 0 {
		return fmt.Errorf("%q is not a time in UTC such as 2026-12-01T06:00:00Z, in whole seconds", text)
	}
	if t = t.UTC(); t.Year() < firstYear || t.Year() > lastYear {
		return fmt.Errorf("%q lies outside the years %d to %d", text, firstYear, lastYear)
	}
	i.Time = t
	return nil
}

// day is a UTC day such as 2026-12-01.
type day struct{ start time.Time }

func (d *day) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.DateOnly, string(text))
	if err != nil {
		return fmt.Errorf("%q is not a day such as 2026-12-01", text)
	}
	if t.Year() < firstYear || t.Year() > lastYear {
		return fmt.Errorf("%q lies outside the years %d to %d", text, firstYear, lastYear)
	}
	d.start = t
	return nil
}
