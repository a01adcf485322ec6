package clockgen

import (
	"errors"
	"fmt"

	"periph.io/x/host/v3/sysfs"

	"lamplighter/agent/transmitter/clockgen/synth"
	"lamplighter/agent/transmitter/line"
	"lamplighter/proto/setup"
)

// Address is the one that the part has when no board changes it.
const Address = 0x60

// FromSetup opens the part that checked settings name: the key line first.
func FromSetup(t setup.Transmitter) (*Driver, error) {
	o := Options{Address: Address, Crystal: synth.Crystal{Hz: t.CrystalHz, PPB: t.CalibrationPPB}, Output: t.Output}
	if t.Address != 0 {
		o.Address = uint16(t.Address)
	}
	if t.KeyLine != nil {
		key, err := line.OpenOutput(*t.KeyLine)
		if err != nil {
			return nil, fmt.Errorf("transmitter.key_line: %w", err)
		}
		o.KeyLine = key
	}
	bus, err := sysfs.NewI2C(*t.Bus)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("transmitter.bus: /dev/i2c-%d can't be opened: %w; look whether the bus is switched on and who may use it", *t.Bus, err), release(o))
	}
	o.Bus = bus
	d, err := Open(o)
	if err != nil {
		return nil, errors.Join(err, bus.Close(), release(o))
	}
	return d, nil
}

func release(o Options) error {
	if o.KeyLine == nil {
		return nil
	}
	return o.KeyLine.Close()
}
