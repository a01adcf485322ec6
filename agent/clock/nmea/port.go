package nmea

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"go.bug.st/serial"

	"lamplighter/agent/clock/judge"
)

// Port is a serial line with a receiver at its end.
type Port struct {
	Device string // such as /dev/ttyS0
	Baud   int    // 0: 9600
}

func (p Port) String() string { return "receiver at " + p.Device }

// Run opens the port and tells what the receiver says, until ctx ends or the
// receiver falls silent.
func (p Port) Run(ctx context.Context, tell func(judge.Event)) error {
	baud := p.Baud
	if baud == 0 {
		baud = 9600
	}
	port, err := serial.Open(p.Device, &serial.Mode{BaudRate: baud})
	if err != nil {
		return fmt.Errorf("%s can't be opened: %w; look at the cable, the name and who may use it", p.Device, err)
	}
	stop := context.AfterFunc(ctx, func() { _ = port.Close() })
	defer func() {
		if stop() {
			_ = port.Close()
		}
	}()
	if err := port.SetReadTimeout(silence); err != nil {
		return fmt.Errorf("%s: %w", p.Device, err)
	}
	err = listen(timedOut{port}, tell)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("%s: %w", p.Device, err)
}

// timedOut makes a read that took too long an error; the library returns none.
type timedOut struct{ io.Reader }

func (t timedOut) Read(b []byte) (int, error) {
	n, err := t.Reader.Read(b)
	if n == 0 && err == nil {
		err = os.ErrDeadlineExceeded
	}
	return n, err
}

var errSilent = errors.New("no sentence for 5 seconds; look at the receiver's power, its cable and its speed")

// listen tells what is heard on a line until it ends.
func listen(line io.Reader, tell func(judge.Event)) error {
	var receiver Receiver
	lines := bufio.NewReaderSize(line, MaxLine+2)
	heard := time.Now()
	for {
		text, err := lines.ReadSlice('\n')
		if errors.Is(err, os.ErrDeadlineExceeded) || time.Since(heard) > silence {
			return errSilent
		}
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			return err
		}
		sentence, err := Parse(string(text))
		if err != nil {
			continue // noise on the line, or the end of a line that is too long
		}
		heard = time.Now()
		if event, err := receiver.Hear(sentence); err == nil && event != nil {
			tell(event)
		}
	}
}
