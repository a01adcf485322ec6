package clockgen

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// busTime is how long all transactions of one call may take together.
const busTime = 30 * time.Millisecond

var errHangs = errors.New("the bus hangs: look for a line that is held low, and at the part's supply")

// bus speaks to one address, and waits for no transaction beyond a deadline.
type bus struct {
	bus      i2c.Bus
	address  uint16
	idle     chan struct{} // holds one token while no transaction runs
	deadline time.Time
}

func newBus(b i2c.Bus, address uint16) *bus {
	idle := make(chan struct{}, 1)
	idle <- struct{}{}
	return &bus{bus: b, address: address, idle: idle}
}

// allow starts the time of a call.
func (b *bus) allow(d time.Duration) { b.deadline = time.Now().Add(d) }

func (b *bus) write(register byte, values ...byte) error {
	_, err := b.transact(append([]byte{register}, values...), 0)
	return err
}

func (b *bus) read(register byte, n int) ([]byte, error) { return b.transact([]byte{register}, n) }

func (b *bus) transact(w []byte, n int) ([]byte, error) {
	select {
	case <-b.idle:
	default:
		return nil, errHangs // an earlier one still does
	}
	timer := time.NewTimer(time.Until(b.deadline))
	defer timer.Stop()
	answer, done := make([]byte, n), make(chan error, 1)
	go func() {
		err := b.bus.Tx(b.address, w, answer)
		b.idle <- struct{}{}
		done <- err
	}()
	select {
	case err := <-done:
		if err != nil {
			return nil, fmt.Errorf("the part at address %#x does not answer: %w; look at bus, address and supply", b.address, err)
		}
		return answer, nil
	case <-timer.C:
		return nil, errHangs
	}
}
