package nmea

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/clock/judge"
)

// terminal opens a pseudo-terminal: what is written to the file comes out at
// the device of that name.
func terminal(t *testing.T) (*os.File, string) {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatalf("a pseudo-terminal is needed: %v", err)
	}
	t.Cleanup(func() { _ = master.Close() })
	fd := int(master.Fd())
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	return master, fmt.Sprintf("/dev/pts/%d", n)
}

func TestSerialLine(t *testing.T) {
	line, device := terminal(t)
	ctx, cancel := context.WithCancel(t.Context())
	events, ended := make(chan judge.Event), make(chan error)
	go func() { ended <- Port{Device: device}.Run(ctx, func(e judge.Event) { events <- e }) }()

	noise := strings.Repeat("\xa5$GP", 100)
	go func() { _, _ = io.WriteString(line, noise+"\n"+exampleGGA+"\r\n"+exampleRMC+"\r\n") }()
	if e, ok := (<-events).(judge.Satellites); !ok || e.Used != 8 {
		t.Errorf("%+v, want 8 satellites", e)
	}
	if e, ok := (<-events).(judge.Sentence); !ok || e.Fix != judge.FixReal || e.Time.Format(time.DateTime) != "1994-03-23 12:35:19" {
		t.Errorf("%+v, want a fix at the example's time", e)
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("ended with %v", err)
	}
}

func TestNoSuchDevice(t *testing.T) {
	err := Port{Device: "/dev/no-such-line"}.Run(t.Context(), nil)
	if err == nil || !strings.Contains(err.Error(), "/dev/no-such-line can't be opened") {
		t.Errorf("%v", err)
	}
}

// A line on which only noise comes is as silent as one on which nothing does.
func TestNoiseIsSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		reader, writer := io.Pipe()
		go func() {
			for {
				if _, err := io.WriteString(writer, strings.Repeat("x", 300)+"\n"); err != nil {
					return
				}
				<-time.After(time.Second)
			}
		}()
		began := time.Now()
		if err := listen(reader, nil); !errors.Is(err, errSilent) || time.Since(began) > 7*time.Second {
			t.Errorf("ended after %v with %v", time.Since(began), err)
		}
		_ = reader.Close()
	})
}

func TestTooSlowIsSilence(t *testing.T) {
	if err := listen(timedOut{strings.NewReader("")}, nil); err == nil {
		t.Error("the end of the line is no error")
	}
	if err := listen(timedOut{nothing{}}, nil); !errors.Is(err, errSilent) {
		t.Errorf("a read that took too long is %v", err)
	}
}

// nothing is a line on which reads end without a byte, as the serial library's
// do after their time is over.
type nothing struct{}

func (nothing) Read([]byte) (int, error) { return 0, nil }
