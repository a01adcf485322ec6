package clock

import (
	"log/slog"
	"time"

	"lamplighter/agent/clock/chrony"
	"lamplighter/agent/clock/feed"
	"lamplighter/agent/clock/gpsd"
	"lamplighter/agent/clock/judge"
	"lamplighter/agent/clock/kernel"
	"lamplighter/agent/clock/nmea"
	"lamplighter/proto/setup"
)

// Names are the sources that this program has.
const Names = "simulated, gpsd, nmea, chrony, kernel"

// FromSetup makes the source that an agent's configuration names; nil if this
// program has no such source. build is a date at which this program did not
// exist yet; log may be nil.
func FromSetup(file *setup.File, build time.Time, log *slog.Logger) Source {
	c := file.Clock
	if c.Source == "simulated" {
		return simulated(file)
	}
	receiver := c.Source == "gpsd" || c.Source == "nmea"
	var frequency *reference
	if r := file.Transmitter.Reference; r != nil {
		frequency = newReference(*r)
	}
	source := listener(c, c.Source, false, frequency)
	if source == nil {
		return nil
	}
	s := feed.Source{
		Judge: judge.Config{Build: build, Daemon: !receiver, Alone: c.Alone, Floor: c.FloorPPM * 1e-6},
		Feeds: []feed.Feed{source},
		Log:   log,
	}
	if witness := listener(c, c.WitnessInForce(), receiver, frequency); witness != nil {
		s.Feeds = append(s.Feeds, witness)
	}
	if c.Thermometer != "" {
		s.Celsius = feed.Thermometer(c.Thermometer)
	}
	// A bound that is declared holds at any age and temperature; nothing declared
	// is not known.
	if ppb := file.Transmitter.UncertaintyPPB; ppb > 0 {
		s.Frequency = func(time.Time, *float64) *float64 { return &ppb }
	}
	if frequency != nil {
		s.Frequency = frequency.ppb
	}
	return s
}

// Receiver is what listens to the GPS receiver that an agent's configuration
// names; nil: it names none.
func Receiver(file *setup.File) feed.Feed {
	for _, name := range []string{file.Clock.Source, file.Clock.WitnessInForce()} {
		if name == "gpsd" || name == "nmea" {
			return listener(file.Clock, name, false, nil)
		}
	}
	return nil
}

// listener is what listens to the source of that name; nil: there is none.
// beside is whether a receiver is listened to as well; frequency hears of the
// transmitter's oscillator, nil: nobody does.
func listener(c setup.Clock, name string, beside bool, frequency *reference) feed.Feed {
	switch name {
	case "gpsd":
		client := gpsd.Client{Address: c.GPSD}
		if frequency != nil {
			client.Oscillator = frequency.hear
		}
		return client
	case "nmea":
		return nmea.Port{Device: c.Port, Baud: c.Baud}
	case "chrony":
		return chrony.Client{Address: c.Chrony, Beside: beside}
	case "kernel":
		return kernel.Clock{}
	}
	return nil
}
