package setup

import (
	"fmt"
	"strings"
)

// Transmitter says what is keyed, and how.
type Transmitter struct {
	Driver         string  `yaml:"driver"`                    // "simulated", "clock-generator", "serial" or "command"
	Log            string  `yaml:"log,omitempty"`             // simulated: file for the tones that it would have sent
	UncertaintyPPB float64 `yaml:"uncertainty_ppb,omitempty"` // how wrong its frequency may be, in parts per billion, at any age and temperature

	Reference *Reference `yaml:"reference,omitempty"` // what is known of its oscillator, instead of uncertainty_ppb

	Bus            *int  `yaml:"bus,omitempty"`             // clock-generator: number of the I2C bus; 1 is /dev/i2c-1
	Address        int   `yaml:"address,omitempty"`         // clock-generator: on the bus; 0 is 0x60
	CrystalHz      int64 `yaml:"crystal_hz,omitempty"`      // clock-generator: the nominal frequency of its crystal
	CalibrationPPB int64 `yaml:"calibration_ppb,omitempty"` // clock-generator: by how much the crystal is faster than that
	Output         int   `yaml:"output,omitempty"`          // clock-generator: 0, 1 or 2
	KeyLine        *Line `yaml:"key_line,omitempty"`        // clock-generator: gates the output; without one, local control only

	Port string `yaml:"port,omitempty"` // serial: such as /dev/ttyUSB0
	Baud int    `yaml:"baud,omitempty"` // serial: 0 is 115200

	Command []string `yaml:"command,omitempty"` // command: the program's path, and its arguments

	Relays    []Relay    `yaml:"relays,omitempty"`    // band filters, antenna relays
	SettleMS  int        `yaml:"settle_ms,omitempty"` // how long relays take until their contacts are still; 0 is 20
	Amplifier *Amplifier `yaml:"amplifier,omitempty"` // its enable line

	Plug           *Plug       `yaml:"plug,omitempty"`            // plug-in band filters whose coding pins are read
	Interlocks     []Interlock `yaml:"interlocks,omitempty"`      // inputs that must allow every transmission
	OperatorSwitch *Line       `yaml:"operator_switch,omitempty"` // on while an operator is present, for local control
}

// Line is one general purpose line of the machine.
type Line struct {
	Chip   string `yaml:"chip"`   // such as gpiochip0
	Line   int    `yaml:"line"`   // its number on the chip
	Active string `yaml:"active"` // "high" or "low": the level that keys, enables or closes
}

func (l Line) String() string { return fmt.Sprintf("line %d of %s", l.Line, l.Chip) }

// Relay is closed for transmissions within a range of frequencies, edges
// included. Several may serve one frequency: a filter and an antenna.
type Relay struct {
	Name     string `yaml:"name"`
	FromHz   int64  `yaml:"from_hz"`
	ToHz     int64  `yaml:"to_hz"`
	Line     Line   `yaml:"line"`
	ReadBack *Line  `yaml:"read_back,omitempty"` // an input that says whether it is closed
}

// Amplifier is enabled after the relays have settled and before there is any
// signal, and disabled the other way round.
type Amplifier struct {
	Line     Line  `yaml:"line"`
	ReadBack *Line `yaml:"read_back,omitempty"` // an input that says whether it is enabled
	SettleMS int   `yaml:"settle_ms,omitempty"` // 0 is 5
}

// What a transmitter's settings may be.
const (
	maxRelays          = 32
	maxLine            = 1023
	maxSettleMS        = 500
	maxAmplifierSettle = 10
	maxCommand         = 32
)

// onlyFor lists which driver each key is for, and whether it is set.
func (t Transmitter) onlyFor() []struct {
	driver, key string
	set         bool
} {
	return []struct {
		driver, key string
		set         bool
	}{
		{"simulated", "log", t.Log != ""},
		{"clock-generator", "bus", t.Bus != nil},
		{"clock-generator", "address", t.Address != 0},
		{"clock-generator", "crystal_hz", t.CrystalHz != 0},
		{"clock-generator", "calibration_ppb", t.CalibrationPPB != 0},
		{"clock-generator", "output", t.Output != 0},
		{"clock-generator", "key_line", t.KeyLine != nil},
		{"serial", "port", t.Port != ""},
		{"serial", "baud", t.Baud != 0},
		{"command", "command", len(t.Command) != 0},
	}
}

// Check says what is wrong with the settings, or nil. It knows what each driver
// needs, and touches no hardware.
func (t Transmitter) Check() error {
	for _, k := range t.onlyFor() {
		if k.set && t.Driver != k.driver {
			return fmt.Errorf("transmitter.%s: it is for the driver %q, and the driver is %q; take it out", k.key, k.driver, t.Driver)
		}
	}
	var err error
	switch t.Driver {
	case "clock-generator":
		err = t.checkClockGenerator()
	case "serial":
		err = t.checkSerial()
	case "command":
		err = t.checkCommand()
	}
	if err != nil {
		return err
	}
	if err := t.checkSwitching(); err != nil {
		return err
	}
	if err := t.checkPlug(); err != nil {
		return err
	}
	if err := t.checkInterlocks(); err != nil {
		return err
	}
	return t.checkLines()
}

func (t Transmitter) checkClockGenerator() error {
	switch {
	case t.Bus == nil:
		return fmt.Errorf("transmitter.bus: missing; write the number of the I2C bus, 1 for /dev/i2c-1")
	case *t.Bus < 0 || *t.Bus > 255:
		return fmt.Errorf("transmitter.bus: %d, and it must lie between 0 and 255", *t.Bus)
	case t.Address != 0 && (t.Address < 0x08 || t.Address > 0x77):
		return fmt.Errorf("transmitter.address: %#x, and an address on an I2C bus lies between 0x08 and 0x77", t.Address)
	case t.CrystalHz < 10e6 || t.CrystalHz > 40e6:
		return fmt.Errorf("transmitter.crystal_hz: %d, and it must lie between 10000000 and 40000000; most boards have 25000000 or 27000000", t.CrystalHz)
	case t.CalibrationPPB < -200_000 || t.CalibrationPPB > 200_000:
		return fmt.Errorf("transmitter.calibration_ppb: %d, and it must lie between -200000 and 200000; a crystal that is farther off is broken, or crystal_hz is wrong", t.CalibrationPPB)
	case t.Output < 0 || t.Output > 2:
		return fmt.Errorf("transmitter.output: %d, and it must be 0, 1 or 2", t.Output)
	}
	return nil
}

func (t Transmitter) checkSerial() error {
	switch {
	case !strings.HasPrefix(t.Port, "/"):
		return fmt.Errorf("transmitter.port: %q; write the device's path, such as /dev/ttyUSB0", t.Port)
	case t.Baud != 0 && (t.Baud < 57600 || t.Baud > 4_000_000):
		return fmt.Errorf("transmitter.baud: %d, and it must lie between 57600 and 4000000: a slower line would delay the key", t.Baud)
	}
	return nil
}

func (t Transmitter) checkCommand() error {
	switch {
	case len(t.Command) == 0 || !strings.HasPrefix(t.Command[0], "/"):
		return fmt.Errorf("transmitter.command: write a list that begins with the program's full path")
	case len(t.Command) > maxCommand:
		return fmt.Errorf("transmitter.command: %d words, and at most %d are allowed", len(t.Command), maxCommand)
	}
	return nil
}

func (t Transmitter) checkSwitching() error {
	switches := len(t.Relays) > 0 || t.Amplifier != nil
	switch {
	case switches && t.Driver == "simulated":
		return fmt.Errorf("transmitter.relays, transmitter.amplifier: a simulated transmitter switches nothing; take them out")
	case len(t.Relays) > maxRelays:
		return fmt.Errorf("transmitter.relays: %d, and at most %d are allowed", len(t.Relays), maxRelays)
	case t.SettleMS < 0 || t.SettleMS > maxSettleMS:
		return fmt.Errorf("transmitter.settle_ms: %d, and it must lie between 1 and %d", t.SettleMS, maxSettleMS)
	}
	for i, r := range t.Relays {
		if r.Name == "" || len(r.Name) > 32 {
			return fmt.Errorf("transmitter.relays[%d].name: give it a name of 1 to 32 letters", i)
		}
		if r.FromHz < 1 || r.ToHz < r.FromHz {
			return fmt.Errorf("transmitter.relays[%d] (%s): from_hz %d to to_hz %d is no range of frequencies", i, r.Name, r.FromHz, r.ToHz)
		}
	}
	if a := t.Amplifier; a != nil && (a.SettleMS < 0 || a.SettleMS > maxAmplifierSettle) {
		return fmt.Errorf("transmitter.amplifier.settle_ms: %d, and it must lie between 1 and %d", a.SettleMS, maxAmplifierSettle)
	}
	return nil
}

// checkLines looks at every line: two uses of one would fight.
func (t Transmitter) checkLines() error {
	used := map[string]string{}
	for _, u := range t.lines() {
		switch {
		case u.line.Chip == "" || len(u.line.Chip) > 64 || strings.Contains(u.line.Chip, "/"):
			return fmt.Errorf("%s.chip: %q; write a chip's name, such as gpiochip0", u.key, u.line.Chip)
		case u.line.Line < 0 || u.line.Line > maxLine:
			return fmt.Errorf("%s.line: %d, and it must lie between 0 and %d", u.key, u.line.Line, maxLine)
		case u.line.Active != "high" && u.line.Active != "low":
			return fmt.Errorf("%s.active: %q; write high or low: the level that keys, enables or closes. A line without power must mean off", u.key, u.line.Active)
		}
		name := u.line.String()
		if other := used[name]; other != "" {
			return fmt.Errorf("%s: %s serves %s already", u.key, name, other)
		}
		used[name] = u.key
	}
	return nil
}

type use struct {
	key  string
	line *Line
}

func (t Transmitter) lines() (all []use) {
	add := func(key string, l *Line) {
		if l != nil {
			all = append(all, use{"transmitter." + key, l})
		}
	}
	add("key_line", t.KeyLine)
	for i := range t.Relays {
		add(fmt.Sprintf("relays[%d].line", i), &t.Relays[i].Line)
		add(fmt.Sprintf("relays[%d].read_back", i), t.Relays[i].ReadBack)
	}
	if a := t.Amplifier; a != nil {
		add("amplifier.line", &a.Line)
		add("amplifier.read_back", a.ReadBack)
	}
	for i := 0; t.Plug != nil && i < len(t.Plug.Pins); i++ {
		add(fmt.Sprintf("plug.pins[%d]", i), &t.Plug.Pins[i])
	}
	for i := range t.Interlocks {
		add(fmt.Sprintf("interlocks[%d].line", i), &t.Interlocks[i].Line)
	}
	add("operator_switch", t.OperatorSwitch)
	return all
}

// LocalOnly says why the transmitter is for local control only; empty when it
// is not.
func (t Transmitter) LocalOnly() string {
	if t.Driver == "clock-generator" && t.KeyLine == nil {
		return "a clock generator without key_line can be silenced over its bus alone, so it is for local control only; wire a line that gates its output enable or its supply"
	}
	return ""
}
