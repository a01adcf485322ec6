package serialkeyer_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/dialogue/dialoguetest"
	"lamplighter/agent/transmitter/serialkeyer"
	"lamplighter/agent/transmitter/transmittertest"
	"lamplighter/proto/setup"
)

// terminal opens a pseudo-terminal: its own end, and the other's name.
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

func TestItKeepsTheContract(t *testing.T) {
	transmittertest.Conformance(t, func(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
		line, device := terminal(t)
		peer := dialoguetest.New()
		go peer.Serve(line)
		d, err := serialkeyer.FromSetup(setup.Transmitter{Driver: "serial", Port: device})
		if err != nil {
			t.Fatal(err)
		}
		d.AllowAnswers(time.Minute)
		return d, peer.Carrier
	})
}

func TestTheExactFrequencyArrives(t *testing.T) {
	line, device := terminal(t)
	peer := dialoguetest.New()
	go peer.Serve(line)
	d, err := serialkeyer.FromSetup(setup.Transmitter{Driver: "serial", Port: device, Baud: 230400})
	if err != nil {
		t.Fatal(err)
	}
	d.AllowAnswers(time.Minute)
	if err := d.Key(14097098.53515625, 73); err != nil {
		t.Fatal(err)
	}
	if got := peer.Signal(); got != "14097098535 mHz at 73 %" {
		t.Error(got)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if err := d.Key(14097098, 73); err == nil || peer.Carrier() {
		t.Errorf("keyed after the end: %v", err)
	}
}

func TestNoSuchPort(t *testing.T) {
	_, err := serialkeyer.FromSetup(setup.Transmitter{Driver: "serial", Port: "/dev/no-such-line"})
	if err == nil || !strings.HasPrefix(err.Error(), "keyer at /dev/no-such-line: /dev/no-such-line can't be opened: ") {
		t.Errorf("%v", err)
	}
}
