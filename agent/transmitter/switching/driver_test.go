package switching_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/line"
	"lamplighter/agent/transmitter/line/linetest"
	"lamplighter/agent/transmitter/switching"
	"lamplighter/agent/transmitter/transmittertest"
)

// bench is a transmitter with two filters, one of them read back by a pin, an
// antenna relay for both, and an amplifier. It keeps a diary of what moved when.
type bench struct {
	*switching.Driver
	faulty                                        *transmittertest.Faulty
	inner                                         *inner
	low, high, antenna, amplifier, pin, amplifies *linetest.Fake
	began                                         time.Time
	diary                                         []string
}

// inner is a transmitter that writes into the diary, and can be prepared.
type inner struct {
	*transmitter.Simulated
	b        *bench
	prepared []float64
}

func (i *inner) Key(hz float64, percent int) error {
	err := i.Simulated.Key(hz, percent)
	if err == nil {
		i.b.write("signal", true)
	}
	return err
}

func (i *inner) Unkey() error {
	if i.Keyed() {
		i.b.write("signal", false)
	}
	return i.Simulated.Unkey()
}

func (i *inner) Prepare(hz float64, _ int) error {
	i.prepared = append(i.prepared, hz)
	return nil
}

// prepared is a faulty driver that can be prepared.
type prepared struct {
	*transmittertest.Faulty
	inner *inner
}

func (p *prepared) Prepare(hz float64, percent int) error { return p.inner.Prepare(hz, percent) }

func (b *bench) write(what string, on bool) {
	word := map[bool]string{false: "off", true: "on"}[on]
	b.diary = append(b.diary, fmt.Sprintf("%d ms: %s %s", time.Since(b.began).Milliseconds(), what, word))
}

// settle is short, so that a transmission needs no preparing.
func open(t *testing.T, settle time.Duration) *bench {
	t.Helper()
	b := &bench{began: time.Now()}
	b.inner = &inner{Simulated: transmitter.NewSimulated(time.Now, nil), b: b}
	b.faulty = &transmittertest.Faulty{Driver: b.inner}
	fake := func(name string) *linetest.Fake { return linetest.New(func(on bool) { b.write(name, on) }) }
	b.pin, b.amplifies = linetest.New(nil), linetest.New(nil)
	b.low = linetest.New(func(on bool) { b.write("low", on); _ = b.pin.Set(on) })
	b.high, b.antenna = fake("high"), fake("antenna")
	b.amplifier = linetest.New(func(on bool) { b.write("amplifier", on); _ = b.amplifies.Set(on) })
	d, err := switching.Around(&prepared{b.faulty, b.inner}, b.options(settle))
	if err != nil {
		t.Fatal(err)
	}
	b.Driver = d
	return b
}

func (b *bench) options(settle time.Duration) switching.Options {
	return switching.Options{
		Relays: []switching.Relay{
			{Name: "low", FromHz: 3e6, ToHz: 8e6, Line: b.low, ReadBack: b.pin},
			{Name: "high", FromHz: 8e6, ToHz: 30e6, Line: b.high},
			{Name: "antenna", FromHz: 1e6, ToHz: 30e6, Line: b.antenna},
		},
		Settle:    settle,
		Amplifier: &switching.Amplifier{Line: b.amplifier, ReadBack: b.amplifies, Settle: 5 * time.Millisecond},
	}
}

func TestItKeepsTheContract(t *testing.T) {
	transmittertest.ConformanceInVirtualTime(t, func(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
		b := open(t, time.Millisecond)
		return b, b.inner.Keyed
	})
}

func TestWithoutAnythingAroundIt(t *testing.T) {
	transmittertest.ConformanceInVirtualTime(t, func(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
		s := transmitter.NewSimulated(time.Now, nil)
		d, err := switching.Around(s, switching.Options{})
		must(t, err)
		return d, s.Keyed
	})
}

// Edge by edge, with their times.
func TestTheEdges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, 20*time.Millisecond)
		b.began = time.Now()
		must(t, b.Prepare(7040100, 50))
		pass(100 * time.Millisecond)
		must(t, b.Key(7040100, 50))
		must(t, b.Tone(7040101.5))
		pass(100 * time.Millisecond)
		must(t, b.Unkey())
		must(t, b.Prepare(14097100, 50))
		must(t, b.Unkey())
		must(t, b.Close())
		want := []string{
			"0 ms: low on", "0 ms: antenna on", "100 ms: amplifier on", "105 ms: signal on",
			"205 ms: signal off", "205 ms: amplifier off", "210 ms: low off", "210 ms: antenna off",
			"210 ms: high on", "210 ms: antenna on", "215 ms: high off", "215 ms: antenna off",
		}
		if !slices.Equal(b.diary, want) {
			t.Errorf("%s", strings.Join(b.diary, "\n"))
		}
		if !slices.Equal(b.inner.prepared, []float64{7040100, 14097100}) {
			t.Errorf("prepared for %v", b.inner.prepared)
		}
		for _, l := range []*linetest.Fake{b.low, b.high, b.antenna, b.amplifier, b.pin, b.amplifies} {
			if !l.Closed() {
				t.Error("a line is still held")
			}
		}
	})
}

func TestOpeningSwitchesNothingOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		if b := open(t, time.Millisecond); len(b.diary) != 0 {
			t.Errorf("%v", b.diary)
		}
	})
}

func TestRelaysThatHaveNotSettled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, 20*time.Millisecond)
		if err := b.Key(7040100, 50); err == nil || !strings.Contains(err.Error(), "20ms more to settle") || b.amplifier.Is() {
			t.Errorf("%v", err)
		}
		pass(17 * time.Millisecond)
		must(t, b.Key(7040100, 50))
	})
}

// Every wrong read-back keeps the carrier off, or is noticed at the next tone,
// and latches.
func TestWrongReadBackLatches(t *testing.T) {
	for name, line := range map[string]func(*bench) *linetest.Fake{
		"relay":             func(b *bench) *linetest.Fake { return b.antenna },
		"relay's pin":       func(b *bench) *linetest.Fake { return b.pin },
		"amplifier":         func(b *bench) *linetest.Fake { return b.amplifier },
		"amplifier's input": func(b *bench) *linetest.Fake { return b.amplifies },
	} {
		t.Run(name+", before", func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := open(t, time.Millisecond)
				line(b).Stick(true)
				latched(t, b, b.Key(7040100, 50))
			})
		})
		t.Run(name+", on the air", func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := open(t, time.Millisecond)
				must(t, b.Key(7040100, 50))
				must(t, line(b).Set(false))
				latched(t, b, b.Tone(7040101))
			})
		})
	}
}

func latched(t *testing.T, b *bench, err error) {
	t.Helper()
	if !errors.Is(err, line.ErrReadBack) {
		t.Errorf("%v", err)
	}
	for _, l := range []*linetest.Fake{b.antenna, b.pin, b.amplifier, b.amplifies} {
		l.Stick(false)
	}
	must(t, b.Unkey())
	if err := b.Key(7040100, 50); !errors.Is(err, line.ErrReadBack) || !strings.Contains(err.Error(), "latched") || b.inner.Keyed() {
		t.Errorf("not latched: %v", err)
	}
	if err := b.Prepare(7040100, 50); err == nil {
		t.Error("prepared although it is latched")
	}
}

// A carrier that does not go off: the amplifier does, and no relay moves.
func TestNoRelayMovesUnderACarrier(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, time.Millisecond)
		must(t, b.Key(7040100, 50))
		b.faulty.FailUnkey.Store(true)
		if err := b.Unkey(); !errors.Is(err, transmittertest.ErrFault) {
			t.Errorf("%v", err)
		}
		if b.amplifier.Is() || !b.low.Is() || !b.antenna.Is() {
			t.Errorf("amplifier %v, relays %v %v", b.amplifier.Is(), b.low.Is(), b.antenna.Is())
		}
		if err := b.Prepare(14097100, 50); err == nil || b.high.Is() {
			t.Errorf("prepared under a carrier: %v", err)
		}
		b.faulty.FailUnkey.Store(false)
		must(t, b.Unkey())
		if b.low.Is() || b.antenna.Is() {
			t.Error("a relay is still closed")
		}
	})
}

// A key-down that fails leaves the amplifier to the key-up that follows.
func TestAFailedKeyDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, time.Millisecond)
		b.faulty.FailKey.Store(true)
		if err := b.Key(7040100, 50); !errors.Is(err, transmittertest.ErrFault) {
			t.Errorf("%v", err)
		}
		must(t, b.Unkey())
		if b.amplifier.Is() || b.low.Is() {
			t.Error("something is still on")
		}
	})
}

func TestFrequenciesThatNothingIsWiredFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, time.Millisecond)
		if err := b.Key(50294500, 50); err == nil || !strings.Contains(err.Error(), "nothing is wired for 50294500.000 Hz") {
			t.Errorf("%v", err)
		}
		must(t, b.Key(7040100, 50))
		if err := b.Tone(14097100); err == nil || !strings.Contains(err.Error(), "relay low is not for") {
			t.Errorf("%v", err)
		}
		must(t, b.Unkey())
	})
}

func TestWhatIsOnBeforeIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, time.Millisecond)
		must(t, b.pin.Set(true)) // a relay that is stuck
		if _, err := switching.Around(b.inner, b.options(time.Millisecond)); !errors.Is(err, line.ErrReadBack) {
			t.Errorf("%v", err)
		}
		b.faulty.FailUnkey.Store(true)
		if _, err := switching.Around(b.faulty, b.options(time.Millisecond)); !errors.Is(err, transmittertest.ErrFault) {
			t.Errorf("%v", err)
		}
	})
}

// pass lets virtual time pass.
func pass(d time.Duration) { <-time.After(d) }

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
