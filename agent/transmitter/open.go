package transmitter

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lamplighter/agent/transmitter/clockgen"
	"lamplighter/agent/transmitter/external"
	"lamplighter/agent/transmitter/line"
	"lamplighter/agent/transmitter/plug"
	"lamplighter/agent/transmitter/serialkeyer"
	"lamplighter/agent/transmitter/switching"
	"lamplighter/proto/setup"
)

// Drivers are the names of the drivers that there are.
var Drivers = []string{"simulated", "clock-generator", "serial", "command"}

// Check says what is wrong with an agent's transmitter settings, or nil. It
// touches no hardware, so it disturbs no transmission.
func Check(t setup.Transmitter) error {
	if !slices.Contains(Drivers, t.Driver) {
		return fmt.Errorf("transmitter.driver: %q is none that this program has; it has: %s", t.Driver, strings.Join(Drivers, ", "))
	}
	return t.Check()
}

// Open makes the driver that an agent's configuration names, with what is
// switched around it. Only the keyer calls this.
func Open(t setup.Transmitter, now func() time.Time) (Driver, error) {
	if err := Check(t); err != nil {
		return nil, err
	}
	driver, err := open(t, now)
	if err == nil && (len(t.Relays) > 0 || t.Amplifier != nil) {
		driver, err = around(driver, func() (Driver, error) { return opened(switching.FromSetup(t, driver)) })
	}
	if err == nil && t.Plug != nil {
		driver, err = around(driver, func() (Driver, error) { return opened(plug.FromSetup(*t.Plug, driver)) })
	}
	return driver, err
}

// around closes the inner driver if nothing can be put around it.
func around(inner Driver, put func() (Driver, error)) (Driver, error) {
	outer, err := put()
	if err != nil {
		return nil, errors.Join(err, inner.Close())
	}
	return outer, nil
}

func open(t setup.Transmitter, now func() time.Time) (Driver, error) {
	switch t.Driver {
	case "clock-generator":
		return opened(clockgen.FromSetup(t))
	case "serial":
		return opened(serialkeyer.FromSetup(t))
	case "command":
		return opened(external.FromSetup(t))
	}
	if t.Log == "" {
		return NewSimulated(now, nil), nil
	}
	log, err := openLog(t.Log)
	if err != nil {
		return nil, fmt.Errorf("transmitter.log: %w", err)
	}
	return NewSimulated(now, log), nil
}

// opened keeps the nil of a failure from becoming a driver.
func opened[D Driver](d D, err error) (Driver, error) {
	if err != nil {
		return nil, err
	}
	return d, nil
}

// Off silences a transmitter whose keyer is gone. Where there is a key line it
// drops that, and speaks to no bus; it drops the amplifier's line too. An error
// says that the carrier may still be on.
func Off(t setup.Transmitter) error {
	if t.Driver == "simulated" {
		return nil
	}
	var errs []error
	if t.KeyLine != nil {
		errs = append(errs, release(*t.KeyLine))
	} else if driver, err := open(t, time.Now); err != nil {
		errs = append(errs, err)
	} else {
		errs = append(errs, driver.Close())
	}
	if t.Amplifier != nil {
		errs = append(errs, release(t.Amplifier.Line))
	}
	return errors.Join(errs...)
}

// release takes a line, which makes it inactive, and looks whether it is.
func release(l setup.Line) error {
	out, err := line.OpenOutput(l)
	if err != nil {
		return err
	}
	return errors.Join(line.Confirm(out, false), out.Close())
}
