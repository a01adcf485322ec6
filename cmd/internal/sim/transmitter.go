package sim

import (
	"errors"
	"time"
)

// hardwareLimit is after how long the site's own timer ends a key-down.
const hardwareLimit = 125 * time.Second

// transmitter is what hangs on the key line. The line is pulled towards off:
// without a keyer there is no carrier, unless it is jammed.
type transmitter struct {
	device   *device
	keyed    bool
	count    uint64 // of key-downs
	jammed   bool   // it ignores key-up
	deaf     bool   // it refuses key-down
	mismatch bool   // the line is not as it was set
}

var (
	errJammed = errors.New("the line does not follow")
	errDeaf   = errors.New("the transmitter does not answer")
)

func (t *transmitter) key(hz float64) error {
	if t.deaf {
		t.device.world.reach("a transmitter that refuses")
		return errDeaf
	}
	if t.keyed {
		return nil
	}
	t.keyed = true
	t.count++
	t.device.world.happened("key down", t.device.label, uint64(hz*1000))
	t.device.world.oracle.keyDown(t.device, hz)
	count := t.count
	t.device.world.after(hardwareLimit, func() {
		if t.keyed && t.count == count {
			t.device.world.reach("the hardware's timer ends a key-down")
			t.off()
		}
	})
	return nil
}

func (t *transmitter) unkey() error {
	if t.jammed && t.keyed {
		t.device.world.oracle.beyond(t.device)
		return errJammed
	}
	t.off()
	return nil
}

// off is what also happens when nobody drives the line any more.
func (t *transmitter) off() {
	if t.keyed {
		t.keyed = false
		t.device.world.happened("key up", t.device.label, t.count)
		t.device.world.oracle.keyUp(t.device)
	}
}

// examine is what a re-arm looks at.
func (t *transmitter) examine() error {
	if t.jammed || t.mismatch {
		return errJammed
	}
	return nil
}
