package setup

import (
	"fmt"
	"strings"
)

// Plug is a socket for plug-in band filters whose coding pins say which of them
// is in place.
type Plug struct {
	Pins    []Line       `yaml:"pins"`
	Filters []PlugFilter `yaml:"filters"`
}

// PlugFilter is one that can be plugged in. It passes a range of frequencies,
// edges included.
type PlugFilter struct {
	Name   string `yaml:"name"`
	Code   string `yaml:"code"` // what its pins say, in their order: 1 for active, 0 for not
	FromHz int64  `yaml:"from_hz"`
	ToHz   int64  `yaml:"to_hz"`
}

const (
	maxPins        = 8
	maxPlugFilters = 32
)

func (t Transmitter) checkPlug() error {
	p := t.Plug
	switch {
	case p == nil:
		return nil
	case t.Driver == "simulated":
		return fmt.Errorf("transmitter.plug: a simulated transmitter has no filter; take it out")
	case len(p.Pins) < 1 || len(p.Pins) > maxPins:
		return fmt.Errorf("transmitter.plug.pins: %d, and there must be 1 to %d", len(p.Pins), maxPins)
	case len(p.Filters) < 1 || len(p.Filters) > maxPlugFilters:
		return fmt.Errorf("transmitter.plug.filters: %d, and there must be 1 to %d", len(p.Filters), maxPlugFilters)
	}
	codes := map[string]string{}
	for i, f := range p.Filters {
		switch {
		case f.Name == "" || len(f.Name) > 32:
			return fmt.Errorf("transmitter.plug.filters[%d].name: give it a name of 1 to 32 letters", i)
		case len(f.Code) != len(p.Pins) || strings.Trim(f.Code, "01") != "":
			return fmt.Errorf("transmitter.plug.filters[%d] (%s).code: %q; write one 0 or 1 for each of the %d pins, in quotes", i, f.Name, f.Code, len(p.Pins))
		case !strings.Contains(f.Code, "1"):
			return fmt.Errorf("transmitter.plug.filters[%d] (%s).code: without any 1 it could not be told from an empty socket", i, f.Name)
		case codes[f.Code] != "":
			return fmt.Errorf("transmitter.plug.filters[%d] (%s).code: %s is that of %s already", i, f.Name, f.Code, codes[f.Code])
		case f.FromHz < 1 || f.ToHz < f.FromHz:
			return fmt.Errorf("transmitter.plug.filters[%d] (%s): from_hz %d to to_hz %d is no range of frequencies", i, f.Name, f.FromHz, f.ToHz)
		}
		codes[f.Code] = f.Name
	}
	return nil
}
