// Package serialkeyer drives a home-made keyer at the end of a serial line. What
// is said on the line, and what the keyer has to do by itself, is written down
// in deploy/serial-keyer.md; package dialogue says it.
//
// Opening a port raises two of its lines, DTR and RTS, for a moment, and whether
// they fall when it is closed depends on the kernel. So neither may key; both
// are dropped as soon as the port is open.
//
// It was tried over pseudo-terminals only, and not yet on hardware.
package serialkeyer

import (
	"fmt"
	"io"
	"os"
	"sync"

	"go.bug.st/serial"

	"lamplighter/agent/transmitter/dialogue"
	"lamplighter/proto/setup"
)

// baud is the speed that no setting changes: a line takes 3 ms.
const baud = 115200

// FromSetup opens the keyer that checked settings name.
func FromSetup(t setup.Transmitter) (*dialogue.Driver, error) {
	speed := t.Baud
	if speed == 0 {
		speed = baud
	}
	return dialogue.Open("keyer at "+t.Port, func() (io.ReadWriteCloser, error) { return open(t.Port, speed) })
}

func open(device string, speed int) (io.ReadWriteCloser, error) {
	p, err := serial.Open(device, &serial.Mode{BaudRate: speed})
	if err != nil {
		return nil, fmt.Errorf("%s can't be opened: %w; look at the cable, the name and who may use it", device, err)
	}
	_, _ = p.SetDTR(false), p.SetRTS(false) // a line without them has nothing to drop
	return &port{Port: p}, nil
}

// port keeps late writes from a port that was closed: the library would write
// them to whatever file has its number by then.
type port struct {
	serial.Port
	mu     sync.Mutex
	closed bool
}

func (p *port) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return 0, os.ErrClosed
	}
	return p.Port.Write(b)
}

func (p *port) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	return p.Port.Close()
}
