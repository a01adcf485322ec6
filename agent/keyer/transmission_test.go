package keyer_test

import (
	"crypto/sha256"
	"math"
	"testing"
	"time"

	"lamplighter/agent/keyer"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
)

func sum(message []byte) []byte {
	digest := sha256.Sum256(message)
	return digest[:]
}

// The symbols of "Q1ABC JO62 30": developer examples of invented calls, made
// with an encoder that agrees with two published 162-symbol sequences.
const symbols = "330222201020113022302321313002000012010300022232312213232023321020033032101210030030310223303032201020223201203130110211032201112220032102310022200312323120011220"

// One symbol is 8192 periods of 12 kHz, and tones lie 12000/8192 Hz apart
// (public coding note); the signal starts one second into the slot.
func TestS1ATransmissionIsWhatWasOrderedToTheHertzAndMillisecond(t *testing.T) {
	b := ready(t, transmission(0))
	b.until(noon.Add(-3 * time.Second))
	if end := b.permit(0); end != nil {
		t.Fatal(end)
	}
	slotStart := b.now.Boot + 3*time.Second
	b.edges = nil
	b.until(noon.Add(115 * time.Second))

	if len(b.edges) != 163 || b.edges[0].what != "key" || b.edges[162].what != "unkey" {
		t.Fatalf("%d edges", len(b.edges))
	}
	for i, e := range b.edges[:162] {
		hz := 7040100 + (float64(symbols[i]-'0')-1.5)*12000/8192
		if math.Abs(e.hz-hz) > 1e-6 {
			t.Errorf("symbol %d on %.6f Hz, not %.6f", i, e.hz, hz)
		}
	}
	for i, e := range b.edges {
		at := slotStart + time.Second + time.Duration(float64(i)*8192/12000*1e9)
		if late := e.at - at; late < -time.Microsecond || late > time.Microsecond {
			t.Errorf("edge %d is %v late", i, late)
		}
	}
	end := b.ended(sent, "")
	if end.GetSymbols() != 162 || end.GetKeyedUnixUs() != noon.Add(time.Second).UnixMicro() ||
		end.GetUnkeyedUnixUs() != noon.UnixMicro()+111_592_000 || end.GetOrders().GetRevision() != 1 {
		t.Errorf("%v", end)
	}
}

func TestS14ThePermitTheKeyAndTheEndAreToldApart(t *testing.T) {
	b := onAir(t)
	var keyed int
	for _, reply := range b.replies {
		if k := reply.GetKeyed(); k != nil {
			keyed++
			if k.GetSlot() != firstSlot || k.GetKeyedUnixUs() != noon.Add(time.Second).UnixMicro() {
				t.Errorf("%v", k)
			}
		}
	}
	if keyed != 1 || len(b.ends()) != 0 || !b.status().GetKeyed() {
		t.Errorf("keyed %d times, ends %v, status %v", keyed, b.ends(), b.status())
	}
	b.until(noon.Add(115 * time.Second))
	b.ended(sent, "")
	if b.status().GetKeyed() {
		t.Error("keyed after the end")
	}
}

// A permit that something stands against from the start.
func TestAPermitIsRefusedWith(t *testing.T) {
	band := func(name string, hertz int64, c wirev1.Control) func(*wirev1.Transmission) {
		return func(t *wirev1.Transmission) { t.Band, t.FrequencyMillihertz, t.Control = name, hertz*1000, c }
	}
	message := func(call, loc string, dbm int32, kind wirev1.MessageKind) func(*wirev1.Transmission) {
		return func(t *wirev1.Transmission) {
			t.Message = &wirev1.Message{Callsign: call, Locator: loc, PowerDbm: dbm, Kind: kind}
		}
	}
	hertz := func(millihertz, u int64) func(*wirev1.Transmission) {
		return func(t *wirev1.Transmission) { t.FrequencyMillihertz, t.UncertaintyMillihertz = millihertz, u }
	}
	drive := func(percent uint32) func(*wirev1.Transmission) {
		return func(t *wirev1.Transmission) { t.DrivePercent = percent }
	}
	none := func(*wirev1.Transmission) {}
	for _, c := range []struct {
		promise string
		change  func(*wirev1.Transmission)
		before  func(*bench)
		want    keyer.Reason // empty: it is accepted
	}{
		{"nothing wrong", none, nil, ""},

		{"S3 bound of half a second", none, func(b *bench) { b.beat.ClockErrorBoundNs = ptr(int64(500e6)) }, ""},
		{"S3 bound beyond half a second", none, func(b *bench) { b.beat.ClockErrorBoundNs = ptr(int64(500e6 + 1)) }, keyer.ClockUnsure},
		{"S3 unknown bound", none, func(b *bench) { b.beat.ClockErrorBoundNs = nil }, keyer.ClockUnknown},
		{"S3 impossible bound", none, func(b *bench) { b.beat.ClockErrorBoundNs = ptr(int64(-1)) }, keyer.ClockUnknown},

		// 5 Hz on 7040100 Hz are 710.217 parts per billion.
		{"S4 certain enough", none, func(b *bench) { b.beat.FrequencyUncertaintyPpb = ptr(710.21) }, ""},
		{"S4 less certain than planned", none, func(b *bench) { b.beat.FrequencyUncertaintyPpb = ptr(710.22) }, keyer.FrequencyUnsure},
		{"S4 unknown", none, func(b *bench) { b.beat.FrequencyUncertaintyPpb = nil }, keyer.FrequencyUnknown},
		{"S4 not a number", none, func(b *bench) { b.beat.FrequencyUncertaintyPpb = ptr(math.NaN()) }, keyer.FrequencyUnknown},
		{"S4 below nothing", none, func(b *bench) { b.beat.FrequencyUncertaintyPpb = ptr(-1.0) }, keyer.FrequencyUnknown},

		{"S10 lower edge", hertz(7040008_000, 5000), nil, ""},
		{"S10 below the lower edge", hertz(7040007_999, 5000), nil, keyer.OutsideEnvelope},
		{"S10 upper edge", hertz(7040192_000, 5000), nil, ""},
		{"S10 above the upper edge", hertz(7040192_001, 5000), nil, keyer.OutsideEnvelope},
		{"S10 wide uncertainty", hertz(7040100_000, 97_001), nil, keyer.OutsideEnvelope},
		{"S10 negative uncertainty", hertz(7040100_000, -1), nil, keyer.OutsideEnvelope},
		{"S10 uncertainty that overflows", hertz(7040100_000, math.MaxInt64), nil, keyer.OutsideEnvelope},
		{"S10 frequency that overflows", hertz(math.MaxInt64, 5000), nil, keyer.OutsideEnvelope},
		{"S10 no frequency", hertz(0, 5000), nil, keyer.OutsideEnvelope},
		{"S10 another band", band("80m", 7040100, remote), nil, keyer.OutsideEnvelope},
		{"S10 power of the band", message("Q1ABC", "JO62", 37, full), nil, ""},
		{"S10 more power than the band", message("Q1ABC", "JO62", 40, full), nil, keyer.TooMuchPower},
		{"S10 another control", band("40m", 7040100, automatic), nil, keyer.WrongControl},
		{"S10 control not stated", band("40m", 7040100, 0), nil, keyer.WrongControl},
		{"S10 no drive", drive(0), nil, keyer.OutOfBounds},
		{"S10 drive beyond all", drive(101), nil, keyer.OutOfBounds},

		{"S1 another call sign", message("QA7XYZ", "JO62", 30, full), nil, keyer.WrongCallsign},
		{"S1 a call sign in small letters", message("q1abc", "JO62", 30, full), nil, keyer.WrongCallsign},
		{"S1 no call sign", message("", "JO62", 30, full), nil, keyer.NotEncodable},
		{"S1 power that is none", message("Q1ABC", "JO62", 31, full), nil, keyer.NotEncodable},
		{"S1 locator too long", message("Q1ABC", "JO62QM", 30, full), nil, keyer.NotEncodable},
		{"S1 no kind of message", message("Q1ABC", "JO62", 30, 0), nil, keyer.NotEncodable},
		{"S11 extended, and no full one before", message("Q1ABC", "JO62QM", 30, extended), nil, keyer.NoFullBefore},

		{"S2 local control", band("10m", 28126100, local), func(b *bench) { b.beat.FrequencyUncertaintyPpb = ptr(10.0) }, ""},
		{"S2 local control, nobody there", band("10m", 28126100, local), func(b *bench) {
			b.beat.FrequencyUncertaintyPpb = ptr(10.0)
			b.present(0)
		}, keyer.OperatorAbsent},
		{"S7 no heartbeat", none, func(b *bench) { b.beat = nil }, keyer.AgentSilent},
		{"S12 clock set a moment ago", none, func(b *bench) { b.now.Wall = b.now.Wall.Add(11 * time.Millisecond) }, keyer.ClockStepped},
		{"a slewed clock is none that was set", none, func(b *bench) { b.now.Wall = b.now.Wall.Add(9 * time.Millisecond) }, ""},
		{"tripped", none, func(b *bench) { b.step(keyer.ReadBackMismatch{}) }, keyer.ReadBack},
		{"leaving", none, func(b *bench) { b.step(keyer.Leaving{Why: keyer.AgentGone}) }, keyer.AgentGone},
	} {
		t.Run(c.promise, func(t *testing.T) {
			b := ready(t, transmission(0, c.change))
			b.until(noon.Add(-4 * time.Second))
			if c.before != nil {
				c.before(b)
			}
			b.pass(400 * time.Millisecond)
			end := b.permit(0)
			if got := end.GetReason(); got != string(c.want) || (end != nil && end.GetKind() != skipped) {
				t.Fatalf("permit: %v, and it should say %q", end, c.want)
			}
			b.edges = nil
			b.pass(2 * time.Minute)
			if keyed := len(b.edges) > 1; keyed != (c.want == "") {
				t.Errorf("keyed: %v", keyed)
			}
			if len(b.ends()) != 1 {
				t.Errorf("ends: %v", b.ends())
			}
		})
	}
}

func ptr[T any](value T) *T { return &value }
