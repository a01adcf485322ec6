package plug_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/line"
	"lamplighter/agent/transmitter/line/linetest"
	"lamplighter/agent/transmitter/plug"
	"lamplighter/agent/transmitter/transmittertest"
	"lamplighter/proto/setup"
)

var (
	_ transmitter.Driver   = (*plug.Driver)(nil)
	_ transmitter.Preparer = (*plug.Driver)(nil)
	_ transmitter.Examiner = (*plug.Driver)(nil)
)

// bench is a transmitter with two pins and, at first, a filter for everything.
func bench() (d *plug.Driver, inner *transmitter.Simulated, pins [2]*linetest.Fake) {
	inner = transmitter.NewSimulated(time.Now, nil)
	pins = [2]*linetest.Fake{linetest.New(nil), linetest.New(nil)}
	show(pins, "11")
	return plug.Around(inner, []line.Input{pins[0], pins[1]}, []setup.PlugFilter{
		{Name: "all", Code: "11", FromHz: 1, ToHz: math.MaxInt64},
		{Name: "lp-40", Code: "10", FromHz: 7_000_000, ToHz: 7_300_000},
	}), inner, pins
}

func show(pins [2]*linetest.Fake, code string) {
	for i, pin := range pins {
		_ = pin.Set(code[i] == '1')
	}
}

func TestItKeepsTheContract(t *testing.T) {
	transmittertest.ConformanceInVirtualTime(t, func(*testing.T) (transmitter.Driver, transmittertest.Probe) {
		d, inner, _ := bench()
		return d, inner.Keyed
	})
}

func TestOnlyTheRightFilterKeys(t *testing.T) {
	broken := errors.New("the chip is gone")
	for _, test := range []struct {
		name  string
		code  string
		hz    float64
		fault error
		trips bool
		keys  bool
	}{
		{"the right one", "10", 7_040_100, nil, false, true},
		{"its lowest edge", "10", 7_000_000, nil, false, true},
		{"beyond its highest edge", "10", 7_300_001, nil, true, false},
		{"another band", "10", 14_097_100, nil, true, false},
		{"no frequency", "10", math.NaN(), nil, true, false},
		{"an empty socket", "00", 7_040_100, nil, true, false},
		{"an unknown one", "01", 7_040_100, nil, true, false},
		{"pins that can't be read", "10", 7_040_100, broken, false, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			d, inner, pins := bench()
			show(pins, test.code)
			pins[1].Fail(test.fault)
			prepared, keyed := d.Prepare(test.hz, 50), d.Key(test.hz, 50)
			if (prepared == nil) != test.keys || (keyed == nil) != test.keys || inner.Keyed() != test.keys {
				t.Errorf("prepared: %v, keyed: %v, on the air: %v", prepared, keyed, inner.Keyed())
			}
			if errors.Is(keyed, transmitter.ErrReadBack) != test.trips {
				t.Errorf("%v trips the keyer, or does not", keyed)
			}
			if err := d.Unkey(); err != nil || inner.Keyed() {
				t.Errorf("unkey: %v", err)
			}
		})
	}
}

// A filter that is pulled out, or changed, under power is noticed at the next
// tone, and ends the transmission as a relay that moves does.
func TestAFilterThatIsPulledOutUnderPowerIsNoticed(t *testing.T) {
	for _, code := range []string{"00", "01"} {
		d, inner, pins := bench()
		show(pins, "10")
		if err := errors.Join(d.Key(7_040_100, 50), d.Tone(7_040_101)); err != nil {
			t.Fatal(err)
		}
		show(pins, code)
		if err := d.Tone(7_040_102); !errors.Is(err, transmitter.ErrReadBack) {
			t.Errorf("pins %s under power: %v", code, err)
		}
		if err := d.Unkey(); err != nil || inner.Keyed() {
			t.Errorf("unkey: %v", err)
		}
	}
}

func TestExamine(t *testing.T) {
	d, inner, pins := bench()
	if err := d.Key(7_040_100, 50); err != nil {
		t.Fatal(err)
	}
	if err := d.Examine(); err != nil || inner.Keyed() {
		t.Errorf("%v, on the air: %v", err, inner.Keyed())
	}
	show(pins, "00")
	if err := d.Examine(); !errors.Is(err, transmitter.ErrReadBack) {
		t.Errorf("an empty socket: %v", err)
	}
	if err := d.Close(); err != nil || !pins[0].Closed() || !pins[1].Closed() {
		t.Errorf("close: %v", err)
	}
}
