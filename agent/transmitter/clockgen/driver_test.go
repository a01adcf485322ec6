package clockgen_test

import (
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lamplighter/agent/transmitter"
	"lamplighter/agent/transmitter/clockgen"
	"lamplighter/agent/transmitter/clockgen/clockgentest"
	"lamplighter/agent/transmitter/clockgen/synth"
	"lamplighter/agent/transmitter/line"
	"lamplighter/agent/transmitter/line/linetest"
	"lamplighter/agent/transmitter/transmittertest"
	"lamplighter/proto/onair/band"
	"lamplighter/proto/onair/wspr"
	"lamplighter/proto/setup"
)

// A crystal that is 12,345 ppb fast, and is known to be.
var crystal = synth.Crystal{Hz: 25e6, PPB: 12_345}

func newPart() *clockgentest.Part { return clockgentest.New(big.NewRat(25_000_308_625, 1000)) }

const output = 1

type closer struct{ *clockgentest.Part }

func (closer) Close() error { return nil }

type bench struct {
	*clockgen.Driver
	part *clockgentest.Part
	key  *linetest.Fake // nil: none
}

func open(t *testing.T, key *linetest.Fake) bench {
	t.Helper()
	b := bench{part: newPart(), key: key}
	o := clockgen.Options{Bus: closer{b.part}, Address: clockgentest.Address, Crystal: crystal, Output: output}
	if key != nil {
		o.KeyLine = key
	}
	d, err := clockgen.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	b.Driver = d
	return b
}

// carrier says whether there is a signal behind the gate.
func (b bench) carrier() bool { return b.part.Hz(output) != nil && (b.key == nil || b.key.Is()) }

func TestItKeepsTheContract(t *testing.T) {
	transmittertest.ConformanceInVirtualTime(t, func(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
		b := open(t, linetest.New(nil))
		return b, b.carrier
	})
}

func TestItKeepsTheContractWithoutAKeyLine(t *testing.T) {
	transmittertest.ConformanceInVirtualTime(t, func(t *testing.T) (transmitter.Driver, transmittertest.Probe) {
		b := open(t, nil)
		if !b.LocalOnly() {
			t.Error("it does not say that it is for local control only")
		}
		return b, b.carrier
	})
}

// A whole transmission on every band: each tone in exact hertz, one reset
// before it and none in it, and nothing written but the loop's fraction.
func TestWholeTransmissions(t *testing.T) {
	message := wspr.Message{Kind: wspr.Type1, Callsign: "Q1ABC", Locator: "IP62", PowerDBm: 23}
	symbols, err := message.Symbols()
	if err != nil {
		t.Fatal(err)
	}
	for _, of := range band.Standard().All() {
		t.Run(of.Name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := open(t, linetest.New(nil))
				tone := func(i int) float64 { return wspr.ToneHz(of.CentreHz(), symbols[i]) }
				must(t, b.Key(tone(0), 100))
				before := b.part.Written()
				worst := math.Abs(b.hz(t) - tone(0))
				for i := 1; i < len(symbols); i++ {
					must(t, b.Tone(tone(i)))
					worst = max(worst, math.Abs(b.hz(t)-tone(i)))
				}
				for register, times := range b.part.Written() {
					if times != before[register] && (register < 26 || register > 33) {
						t.Errorf("register %d was written between symbols", register)
					}
				}
				must(t, b.Unkey())
				if b.part.Resets() != 1 {
					t.Errorf("%d resets", b.part.Resets())
				}
				if worst > 0.02 {
					t.Errorf("a tone is %v Hz off", worst)
				}
			})
		})
	}
}

func (b bench) hz(t *testing.T) float64 {
	t.Helper()
	exact := b.part.Hz(output)
	if exact == nil || !b.carrier() {
		t.Fatal("no carrier")
	}
	hz, _ := exact.Float64()
	return hz
}

func TestPreparedTransmissionsWriteNoFrequencyAtKeyDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, linetest.New(nil))
		must(t, b.Prepare(7040100, 60))
		if b.carrier() || b.part.Hz(output) != nil {
			t.Fatal("preparing keys")
		}
		before := b.part.Written()
		must(t, b.Key(7040100, 60))
		for register, times := range b.part.Written() {
			if times != before[register] && register != 3 {
				t.Errorf("register %d was written at key-down", register)
			}
		}
		if err := b.Prepare(7040100, 60); err == nil {
			t.Error("prepared while keyed")
		}
		must(t, b.Unkey())
		must(t, b.Prepare(7040100, 60))
		must(t, b.Key(14097100, 100)) // something else after all
		if hz := b.hz(t); math.Abs(hz-14097100) > 0.02 {
			t.Errorf("%v Hz", hz)
		}
	})
}

func TestDriveIsNeverMoreThanAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for percent, milliamperes := range map[int]int{1: 2, 24: 2, 25: 4, 55: 4, 56: 6, 99: 6, 100: 8} {
			b := open(t, linetest.New(nil))
			must(t, b.Key(7040100, percent))
			if got := b.part.Drive(output); got != milliamperes {
				t.Errorf("%d %%: %d mA, want %d", percent, got, milliamperes)
			}
		}
	})
}

func TestOpeningNeverKeys(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		key := linetest.New(func(bool) { t.Error("the key line moved") })
		b := open(t, key)
		if !b.part.OutputPinCounts(output) {
			t.Error("the output enable pin is not obeyed")
		}
		must(t, b.Close())
		if !key.Closed() {
			t.Error("the key line is still held")
		}
	})
}

func TestOpeningOntoATransmissionEndsIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		key, part := linetest.New(nil), newPart()
		must(t, key.Set(true))
		part.Fail(clockgentest.ErrNoAnswer)
		_, err := clockgen.Open(clockgen.Options{Bus: closer{part}, Address: clockgentest.Address, Crystal: crystal, KeyLine: key})
		if err == nil || !strings.Contains(err.Error(), "does not answer") || key.Is() {
			t.Errorf("%v, key line %v", err, key.Is())
		}
	})
}

// Keying up with every fault a bus can have.
func TestKeyUpNeedsNoBus(t *testing.T) {
	for name, fault := range map[string]func(*clockgentest.Part) func(){
		"no answer": func(p *clockgentest.Part) func() { p.Fail(clockgentest.ErrNoAnswer); return func() {} },
		"held low":  func(p *clockgentest.Part) func() { return p.Hang() },
		"bits lost": func(p *clockgentest.Part) func() { p.StickBit(3); return func() {} },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var offAt time.Time
				b := open(t, linetest.New(func(active bool) {
					if !active {
						offAt = time.Now()
					}
				}))
				must(t, b.Key(7040100, 100))
				defer fault(b.part)()
				began := time.Now()
				must(t, b.Unkey())
				if b.carrier() || offAt != began {
					t.Errorf("off after %v", offAt.Sub(began))
				}
				inTime(t, began)
			})
		})
	}
}

// Without a key line the driver says that it could not key up, in time.
func TestWithoutAKeyLineAHungBusIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, nil)
		must(t, b.Key(7040100, 100))
		release := b.part.Hang()
		for _, call := range []func() error{
			b.Unkey, func() error { return b.Tone(7040101) }, func() error { return b.Key(7040100, 100) },
			func() error { return b.Prepare(7040100, 100) },
		} {
			began := time.Now()
			if err := call(); err == nil {
				t.Error("no error on a bus that hangs")
			}
			inTime(t, began)
		}
		release()
		synctest.Wait()
		must(t, b.Unkey())
		if b.carrier() {
			t.Error("the carrier is on")
		}
	})
}

func inTime(t *testing.T, began time.Time) {
	t.Helper()
	if took := time.Since(began); took > 50*time.Millisecond {
		t.Errorf("the call took %v", took)
	}
}

// Each register that makes the signal, in turn, keeps a bit at 0 that should be 1.
func TestWrongRegistersDoNotKey(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const hz = 7040100.3
		good := open(t, linetest.New(nil))
		must(t, good.Key(hz, 100))
		tried := 0
		for register := range 256 {
			var value [1]byte
			must(t, good.part.Tx(clockgentest.Address, []byte{byte(register)}, value[:]))
			if value[0]&1 == 0 || register == 3 {
				continue // nothing would be lost
			}
			tried++
			b := open(t, linetest.New(func(active bool) { t.Errorf("register %d is wrong, and the key line went to %v", register, active) }))
			b.part.StickBit(register)
			if err := b.Key(hz, 100); err == nil || !strings.Contains(err.Error(), "were set to") {
				t.Errorf("register %d is wrong: %v", register, err)
			}
		}
		if tried < 5 {
			t.Errorf("only %d registers were tried", tried)
		}
	})
}

func TestALostLockEndsAtTheNextTone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, linetest.New(nil))
		must(t, b.Key(7040100, 100))
		b.part.Unlock(true)
		if err := b.Tone(7040101); err == nil || !strings.Contains(err.Error(), "out of lock") {
			t.Errorf("%v", err)
		}
		must(t, b.Unkey())
		if err := b.Key(7040100, 100); err == nil || b.key.Is() {
			t.Errorf("keyed without lock: %v", err)
		}
	})
}

func TestAKeyLineThatSticksIsLatched(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, linetest.New(nil))
		b.key.Stick(true)
		if err := b.Key(7040100, 100); !errors.Is(err, line.ErrReadBack) || b.carrier() {
			t.Errorf("%v", err)
		}
		b.key.Stick(false)
		must(t, b.Key(7040100, 100))
		b.key.Stick(true)
		if err := b.Unkey(); !errors.Is(err, line.ErrReadBack) {
			t.Errorf("%v", err)
		}
		if b.part.Hz(output) != nil {
			t.Error("the part was not silenced over the bus")
		}
	})
}

func TestTonesFarAwayAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := open(t, linetest.New(nil))
		must(t, b.Key(7040100, 100))
		if err := b.Tone(14097100); err == nil {
			t.Error("no error")
		}
		if hz := b.hz(t); math.Abs(hz-7040100) > 0.02 {
			t.Errorf("%v Hz", hz)
		}
	})
}

func TestFromSetup(t *testing.T) {
	bus := 250
	_, err := clockgen.FromSetup(setup.Transmitter{Driver: "clock-generator", Bus: &bus, CrystalHz: 25e6})
	if err == nil || !strings.Contains(err.Error(), "/dev/i2c-250 can't be opened") {
		t.Errorf("%v", err)
	}
	_, err = clockgen.FromSetup(setup.Transmitter{
		Driver: "clock-generator", Bus: &bus, CrystalHz: 25e6, KeyLine: &setup.Line{Chip: "gpiochip999", Line: 1, Active: "low"},
	})
	if err == nil || !strings.Contains(err.Error(), "transmitter.key_line: line 1 of gpiochip999") {
		t.Errorf("%v", err)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
