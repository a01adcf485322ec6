package setup

import (
	"fmt"
	"strings"
)

// Sensors says what is measured at the beacon. What is left out is not measured.
type Sensors struct {
	SupplyVolts    *Sensor `yaml:"supply_volts,omitempty"`
	ForwardWatts   *Sensor `yaml:"forward_watts,omitempty"`   // towards the antenna
	ReflectedWatts *Sensor `yaml:"reflected_watts,omitempty"` // back from it
}

// Sensor is a file that holds one number, as the kernel's hardware monitors and
// converters have it. What is measured is (Offset + Scale · number), and with
// Squared the square of that: a diode's voltage shows a power so.
type Sensor struct {
	File    string  `yaml:"file"`
	Scale   float64 `yaml:"scale"`
	Offset  float64 `yaml:"offset,omitempty"`
	Squared bool    `yaml:"squared,omitempty"`
}

// Value is what a number in the file stands for.
func (s Sensor) Value(number float64) float64 {
	v := s.Offset + s.Scale*number
	if s.Squared {
		v *= v
	}
	return v
}

func (s Sensors) check() error {
	for _, one := range []struct {
		key    string
		sensor *Sensor
	}{{"supply_volts", s.SupplyVolts}, {"forward_watts", s.ForwardWatts}, {"reflected_watts", s.ReflectedWatts}} {
		switch {
		case one.sensor == nil:
		case !strings.HasPrefix(one.sensor.File, "/"):
			return fmt.Errorf("%s.file: %q; write the file's path, such as /sys/class/hwmon/hwmon0/in1_input", one.key, one.sensor.File)
		case one.sensor.Scale == 0 || one.sensor.Scale-one.sensor.Scale != 0 || one.sensor.Offset-one.sensor.Offset != 0:
			return fmt.Errorf("%s.scale: %g with the offset %g; write what one unit of the file's number stands for", one.key, one.sensor.Scale, one.sensor.Offset)
		}
	}
	return nil
}
