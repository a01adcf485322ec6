package keyer_test

import (
	"bytes"
	"testing"

	"google.golang.org/protobuf/proto"

	"lamplighter/agent/keyer"
	keyerv1 "lamplighter/proto/lamplighter/keyer/v1"
	wirev1 "lamplighter/proto/lamplighter/wire/v1"
	"lamplighter/proto/seal"
)

// kinds of sealed messages, each with one that would be accepted.
var kinds = []struct {
	name    string
	purpose seal.Purpose
	make    func(*bench) proto.Message
	send    func(*bench, []byte) *keyerv1.Verdict
}{
	{"envelope", seal.Envelope, func(*bench) proto.Message { return envelope(6) }, (*bench).sendEnvelope},
	{"orders", seal.Orders, func(*bench) proto.Message { return orders(10, 2, transmission(1)) }, (*bench).sendOrders},
	{"hush", seal.Hush, func(*bench) proto.Message { return hush(10, 1, "40m") }, (*bench).sendHush},
	{"lease", seal.Lease, func(b *bench) proto.Message { return b.grant(b.nonce(), 10, allTerms()...) }, (*bench).sendLease},
}

// set gives one field of a message another value.
func set(m proto.Message, field string, value any) proto.Message {
	r := m.ProtoReflect()
	fd := r.Descriptor().Fields().ByName(protoName(field))
	r.Set(fd, protoValue(value))
	return m
}

func TestS1OnlyWhatTheCoordinatorSealedForThisBeaconHasAnyEffect(t *testing.T) {
	for _, kind := range kinds {
		marshal := func(m proto.Message) []byte {
			payload, err := proto.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			return payload
		}
		other := seal.Lease
		if kind.purpose == seal.Lease {
			other = seal.Orders
		}
		cases := []struct {
			what string
			make func(proto.Message) []byte
			want keyer.Reason
		}{
			{"genuine", func(m proto.Message) []byte { return sealWith(coordinator, kind.purpose, m) }, ""},
			{"signed by a stranger", func(m proto.Message) []byte { return sealWith(stranger, kind.purpose, m) }, keyer.UnknownKey},
			{"for another beacon", func(m proto.Message) []byte {
				return coordinator.Seal(kind.purpose, network, "hill-hf", marshal(set(m, "beacon", "hill-hf")))
			}, keyer.BadSignature},
			{"from another network", func(m proto.Message) []byte {
				return coordinator.Seal(kind.purpose, "other", beacon, marshal(set(m, "network", "other")))
			}, keyer.BadSignature},
			{"another name within", func(m proto.Message) []byte {
				return sealWith(coordinator, kind.purpose, set(m, "beacon", "hill-hf"))
			}, keyer.WrongAddress},
			{"another network within", func(m proto.Message) []byte {
				return sealWith(coordinator, kind.purpose, set(m, "network", "other"))
			}, keyer.WrongAddress},
			{"for another purpose", func(m proto.Message) []byte { return sealWith(coordinator, other, m) }, keyer.BadSignature},
			{"one bit changed", func(m proto.Message) []byte {
				sealed := sealWith(coordinator, kind.purpose, m)
				sealed[len(sealed)/2] ^= 1
				return sealed
			}, keyer.BadSignature},
			{"cut short", func(m proto.Message) []byte { return sealWith(coordinator, kind.purpose, m)[:40] }, keyer.Garbled},
			{"empty", func(proto.Message) []byte { return nil }, keyer.UnknownKey},
			{"too large", func(proto.Message) []byte { return make([]byte, seal.MaxBytes+1) }, keyer.TooLarge},
			{"a payload that is none", func(proto.Message) []byte {
				return coordinator.Seal(kind.purpose, network, beacon, []byte{0xff})
			}, keyer.Garbled},
			{"an empty payload", func(proto.Message) []byte {
				return coordinator.Seal(kind.purpose, network, beacon, nil)
			}, keyer.WrongAddress},
		}
		for _, c := range cases {
			t.Run(kind.name+" "+c.what, func(t *testing.T) {
				b := ready(t, transmission(0))
				m := kind.make(b)
				before, onDisk := b.status(), bytes.Clone(b.onDisk)
				verdict := kind.send(b, c.make(m))
				if verdict.GetKind() != kind.name || verdict.GetRefusal() != string(c.want) {
					t.Fatalf("verdict %v; wanted %q", verdict, c.want)
				}
				changed := !proto.Equal(before, b.status()) || !bytes.Equal(onDisk, b.onDisk)
				if changed != (c.want == "") {
					t.Errorf("changed: %v", changed)
				}
			})
		}
	}
}

func TestANewerFormatIsRefusedButForAHush(t *testing.T) {
	for _, kind := range kinds {
		b := ready(t)
		m := kind.make(b)
		if m.ProtoReflect().Descriptor().Fields().ByName("least_reader") == nil {
			if kind.name != "hush" {
				t.Errorf("%s says nothing of its format", kind.name)
			}
			continue
		}
		b.refused(kind.send(b, sealWith(coordinator, kind.purpose, set(m, "least_reader", uint32(2)))), keyer.UpdateNeeded)
	}
}

func TestS9NumbersNeverGoDown(t *testing.T) {
	held := orders(10, 5, transmission(0))
	for _, c := range []struct {
		what string
		next *wirev1.Orders
		want keyer.Reason
	}{
		{"a higher revision", orders(10, 6), ""},
		{"a higher epoch", orders(11, 1), ""},
		{"the same again", held, ""},
		{"something else under the same number", orders(10, 5), keyer.Conflicting},
		{"a lower revision", orders(10, 4), keyer.Older},
		{"a lower epoch", orders(9, 100), keyer.Older},
		{"no number at all", orders(0, 0), keyer.Older},
	} {
		t.Run("orders: "+c.what, func(t *testing.T) {
			b := newBench(t)
			b.accepted(b.sendOrders(sealWith(coordinator, seal.Orders, held)))
			verdict := b.sendOrders(sealWith(coordinator, seal.Orders, c.next))
			if verdict.GetRefusal() != string(c.want) {
				t.Fatal(verdict)
			}
			want := held
			if c.want == "" {
				want = c.next
			}
			if got := b.status().GetOrders(); got.GetEpoch() != want.GetEpoch() || got.GetRevision() != want.GetRevision() {
				t.Errorf("holds %v", got)
			}
		})
	}
	for next, want := range map[uint64]keyer.Reason{0: keyer.Older, 4: keyer.Older, 5: keyer.Conflicting, 6: ""} {
		b := newBench(t)
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))))
		b.accepted(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5))))
		other := envelope(next, func(e *wirev1.Envelope) { e.Callsign = "QA7XYZ" })
		if v := b.sendEnvelope(sealWith(coordinator, seal.Envelope, other)); v.GetRefusal() != string(want) {
			t.Errorf("envelope %d after 5: %v", next, v)
		}
	}
	b := newBench(t)
	b.refused(b.sendOrders(sealWith(coordinator, seal.Orders, orders(0, 0))), keyer.Older)
	b.refused(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(0))), keyer.Older)
	b.refused(b.sendHush(sealWith(coordinator, seal.Hush, hush(0, 0, "40m"))), keyer.Older)
}

func TestNumbersOutliveTheProcessAndTheBoot(t *testing.T) {
	for _, again := range []func(*bench){(*bench).start, (*bench).reboot} {
		b := ready(t, transmission(0))
		b.accepted(b.sendHush(sealWith(coordinator, seal.Hush, hush(10, 3, "20m"))))
		again(b)
		b.refused(b.sendOrders(sealWith(coordinator, seal.Orders, orders(9, 9))), keyer.Older)
		b.refused(b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(4))), keyer.Older)
		b.refused(b.sendHush(sealWith(coordinator, seal.Hush, hush(10, 2))), keyer.Older)
		b.refused(b.sendLease(sealWith(coordinator, seal.Lease, b.grant(b.nonce(), 9, allTerms()...))), keyer.Older)
		if s := b.status(); s.GetOrders().GetEpoch() != 10 || s.GetHush().GetNumber() != 3 || s.GetEnvelope() != 5 {
			t.Errorf("%v", s)
		}
	}
}

func TestOrdersAndEnvelopesAreBounded(t *testing.T) {
	many := func(n int) (list []*wirev1.Transmission) {
		for i := range n {
			list = append(list, &wirev1.Transmission{Slot: firstSlot + int64(i)})
		}
		return list
	}
	ranged := func(from, to int64, list ...*wirev1.Transmission) *wirev1.Orders {
		o := orders(10, 2, list...)
		o.FromSlot, o.ToSlot = from, to
		return o
	}
	seconds := func(n uint32) *wirev1.Orders {
		o := orders(10, 2)
		o.SlotSeconds = n
		return o
	}
	for _, c := range []struct {
		what   string
		orders *wirev1.Orders
		want   keyer.Reason
	}{
		{"as many as there may be", ranged(firstSlot, firstSlot+20000, many(10_000)...), ""},
		{"too many", ranged(firstSlot, firstSlot+20000, many(10_001)...), keyer.OutOfBounds},
		{"unsorted", orders(10, 2, transmission(2), transmission(1)), keyer.OutOfBounds},
		{"two in a slot", orders(10, 2, transmission(2), transmission(2)), keyer.OutOfBounds},
		{"before the range", ranged(firstSlot+1, firstSlot+9, transmission(0)), keyer.OutOfBounds},
		{"after the range", ranged(firstSlot, firstSlot+9, transmission(9)), keyer.OutOfBounds},
		{"an empty range", ranged(firstSlot, firstSlot), ""},
		{"a range backwards", ranged(firstSlot, firstSlot-1), keyer.OutOfBounds},
		{"a range too long", ranged(firstSlot, firstSlot+100_001), keyer.OutOfBounds},
		{"before all time", ranged(-1, 1), keyer.OutOfBounds},
		{"after all time", ranged(10_000_000_000, 10_000_000_001), keyer.OutOfBounds},
		{"trial slots on a real transmitter", seconds(10), keyer.SlotLength},
		{"slots of no length", seconds(0), keyer.SlotLength},
	} {
		b := newBench(t)
		if v := b.sendOrders(sealWith(coordinator, seal.Orders, c.orders)); v.GetRefusal() != string(c.want) {
			t.Errorf("%s: %v", c.what, v)
		}
	}
	for _, c := range []struct {
		what   string
		change func(*wirev1.Envelope)
		want   keyer.Reason
	}{
		{"64 bands", func(e *wirev1.Envelope) { e.Bands = make64(64, &wirev1.EnvelopeBand{}) }, ""},
		{"65 bands", func(e *wirev1.Envelope) { e.Bands = make64(65, &wirev1.EnvelopeBand{}) }, keyer.OutOfBounds},
		{"64 segments", func(e *wirev1.Envelope) { e.Bands[0].Segments = make64(64, &wirev1.Segment{}) }, ""},
		{"65 segments", func(e *wirev1.Envelope) { e.Bands[0].Segments = make64(65, &wirev1.Segment{}) }, keyer.OutOfBounds},
		{"trial slots on a real transmitter", func(e *wirev1.Envelope) { e.SlotSeconds = 10 }, keyer.SlotLength},
	} {
		b := newBench(t)
		if v := b.sendEnvelope(sealWith(coordinator, seal.Envelope, envelope(5, c.change))); v.GetRefusal() != string(c.want) {
			t.Errorf("%s: %v", c.what, v)
		}
	}
}

func make64[T any](n int, value T) []T {
	list := make([]T, n)
	for i := range list {
		list[i] = value
	}
	return list
}

func TestOnlyASimulatedTransmitterTakesTrialSlots(t *testing.T) {
	for seconds, want := range map[uint32]keyer.Reason{10: "", 60: "", 120: "", 7: keyer.SlotLength, 0: keyer.SlotLength, 86401: keyer.SlotLength} {
		b := newBench(t)
		b.config.SimulatedTransmitter = true
		b.start()
		o := orders(10, 2)
		o.SlotSeconds = seconds
		if v := b.sendOrders(sealWith(coordinator, seal.Orders, o)); v.GetRefusal() != string(want) {
			t.Errorf("%d s: %v", seconds, v)
		}
	}
}

func TestEveryReasonHasItsSentence(t *testing.T) {
	if len(keyer.Reasons()) < 40 {
		t.Errorf("%d reasons", len(keyer.Reasons()))
	}
	seen := map[string]keyer.Reason{}
	for _, r := range keyer.Reasons() {
		sentence := r.Sentence()
		if len(sentence) < 15 {
			t.Errorf("%s: %q", r, sentence)
		}
		if other, twice := seen[sentence]; twice {
			t.Errorf("%s and %s say the same", r, other)
		}
		seen[sentence] = r
		if r == "" {
			t.Error("an empty reason")
		}
	}
}
