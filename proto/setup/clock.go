package setup

import (
	"fmt"
	"slices"
	"strings"
)

// Clock says where the time comes from.
type Clock struct {
	Source string `yaml:"source"` // "simulated", "gpsd", "nmea", "chrony" or "kernel"

	BoundMS    float64 `yaml:"bound_ms,omitempty"`     // simulated: how wrong it says it may be, in milliseconds
	Satellites int     `yaml:"satellites,omitempty"`   // simulated: how many it says it uses
	OffsetMS   float64 `yaml:"offset_ms,omitempty"`    // simulated: true time less the system's clock
	LockAfterS float64 `yaml:"lock_after_s,omitempty"` // simulated: how long the first fix takes

	// Witness vouches for the whole second besides the source: for a receiver
	// (gpsd, nmea) "kernel", "chrony" or "none", empty is "kernel"; for a time
	// daemon (chrony, kernel) "gpsd", "nmea" or "none", empty is "none".
	Witness string `yaml:"witness,omitempty"`
	// Alone says that somebody answers for it that the source needs no witness.
	Alone       bool    `yaml:"alone,omitempty"`
	GPSD        string  `yaml:"gpsd,omitempty"`        // host and port; empty: localhost:2947
	Chrony      string  `yaml:"chrony,omitempty"`      // host and port, or the path of its socket; empty: 127.0.0.1:323
	Port        string  `yaml:"port,omitempty"`        // nmea: the serial line, such as /dev/ttyS0
	Baud        int     `yaml:"baud,omitempty"`        // nmea: 0 is 9600
	Thermometer string  `yaml:"thermometer,omitempty"` // file with thousandths of a degree Celsius, near the crystal
	FloorPPM    float64 `yaml:"floor_ppm,omitempty"`   // least growth of the bound without a source; 0 is 0.5
}

// witnesses lists who may vouch for a source, the usual one first.
var witnesses = map[string][]string{
	"gpsd":   {"kernel", "chrony", "none"},
	"nmea":   {"kernel", "chrony", "none"},
	"chrony": {"none", "gpsd", "nmea"},
	"kernel": {"none", "gpsd", "nmea"},
}

// WitnessInForce is who vouches for the source; "none": nobody.
func (c Clock) WitnessInForce() string {
	if usual := witnesses[c.Source]; c.Witness == "" && len(usual) > 0 {
		return usual[0]
	}
	if c.Witness == "" {
		return "none"
	}
	return c.Witness
}

// check names the key at fault; whether there is such a source is for the agent
// to say.
func (c Clock) check() error {
	if may, known := witnesses[c.Source]; c.Witness != "" && known && !slices.Contains(may, c.Witness) {
		return fmt.Errorf("witness: %q can't vouch for %s; write one of: %s", c.Witness, c.Source, strings.Join(may, ", "))
	}
	if serial := c.Source == "nmea" || c.Witness == "nmea"; serial && c.Port == "" {
		return fmt.Errorf("port: missing; name the serial line of the receiver, such as /dev/ttyS0")
	}
	if c.Baud < 0 || c.Baud > 4_000_000 {
		return fmt.Errorf("baud: %d, and it must lie between 1 and 4000000", c.Baud)
	}
	if !(c.FloorPPM >= 0 && c.FloorPPM <= 50) {
		return fmt.Errorf("floor_ppm: %g, and it must lie between 0 and 50", c.FloorPPM)
	}
	return nil
}
